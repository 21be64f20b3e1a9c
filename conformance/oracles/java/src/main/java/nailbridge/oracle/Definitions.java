package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.parser.IParser;
import ca.uhn.fhir.parser.StrictErrorHandler;
import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.HashSet;
import java.util.List;
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
 */
final class Definitions {
  private Definitions() {}

  /** Loads every StructureDefinition, ValueSet and CodeSystem below the folders; other resources there are left alone. */
  static PrePopulatedValidationSupport load(FhirContext context, List<Path> folders) throws IOException, Refusal {
    PrePopulatedValidationSupport support = new PrePopulatedValidationSupport(context);
    IParser parser = context.newJsonParser().setParserErrorHandler(new StrictErrorHandler());
    Set<String> urls = new HashSet<>();
    for (Path folder : folders) {
      for (Path file : jsonFiles(folder)) {
        IBaseResource resource = parse(parser, file);
        if (resource instanceof StructureDefinition || resource instanceof ValueSet || resource instanceof CodeSystem) {
          String url = ((MetadataResource) resource).getUrl();
          if (url == null || url.isBlank()) {
            throw new Refusal(file + ": a definition without a url");
          }
          if (!urls.add(url)) {
            throw new Refusal(file + ": a second definition of " + url);
          }
          support.addResource(resource);
        }
      }
    }
    return support;
  }

  private static List<Path> jsonFiles(Path folder) throws IOException {
    try (Stream<Path> files = Files.walk(folder)) {
      return files.filter(file -> file.toString().endsWith(".json")).sorted().toList();
    }
  }

  private static IBaseResource parse(IParser parser, Path file) throws IOException, Refusal {
    try {
      return parser.parseResource(Files.readString(file));
    } catch (RuntimeException e) {
      throw new Refusal(file + ": " + e.getMessage());
    }
  }
}
