package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.parser.IParser;
import ca.uhn.fhir.parser.StrictErrorHandler;
import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.HashSet;
import java.util.LinkedHashMap;
import java.util.List;
import java.util.Map;
import java.util.Set;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.CodeSystem;
import org.hl7.fhir.r4.model.MetadataResource;
import org.hl7.fhir.r4.model.StructureDefinition;
import org.hl7.fhir.r4.model.ValueSet;

/**
 * The definitions that the inputs point to and the standard does not hold. A definition that cannot be read, or that says
 * again what another has said, stops the run: what was checked against half a dictionary proves nothing.
 *
 * @param files the definitions as they stand, by their files
 */
record Definitions(Map<Path, String> files) {

  /** Reads every .json file below the folders. */
  static Definitions read(List<Path> folders) throws IOException {
    Map<Path, String> files = new LinkedHashMap<>();
    for (Path folder : folders) {
      for (Path file : jsonFiles(folder)) {
        files.put(file, Files.readString(file));
      }
    }
    return new Definitions(files);
  }

  /** What they say, whatever their files are called. */
  List<String> texts() {
    return List.copyOf(files.values());
  }

  /** Makes every StructureDefinition, ValueSet and CodeSystem known; other resources are left alone. */
  PrePopulatedValidationSupport load(FhirContext context) throws Refusal {
    PrePopulatedValidationSupport support = new PrePopulatedValidationSupport(context);
    IParser parser = context.newJsonParser().setParserErrorHandler(new StrictErrorHandler());
    Set<String> urls = new HashSet<>();
    for (Map.Entry<Path, String> file : files.entrySet()) {
      IBaseResource resource = parse(parser, file.getKey(), file.getValue());
      if (resource instanceof StructureDefinition || resource instanceof ValueSet || resource instanceof CodeSystem) {
        String url = ((MetadataResource) resource).getUrl();
        if (url == null || url.isBlank()) {
          throw new Refusal(file.getKey() + ": a definition without a url");
        }
        if (!urls.add(url)) {
          throw new Refusal(file.getKey() + ": a second definition of " + url);
        }
        support.addResource(resource);
      }
    }
    return support;
  }

  private static List<Path> jsonFiles(Path folder) throws IOException {
    try (Stream<Path> files = Files.walk(folder)) {
      return files.filter(file -> file.toString().endsWith(".json")).sorted().toList();
    }
  }

  private static IBaseResource parse(IParser parser, Path file, String text) throws Refusal {
    try {
      return parser.parseResource(text);
    } catch (RuntimeException e) {
      throw new Refusal(file + ": " + e.getMessage());
    }
  }
}
