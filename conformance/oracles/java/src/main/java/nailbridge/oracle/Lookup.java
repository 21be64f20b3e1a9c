package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.parser.IParser;
import java.io.BufferedReader;
import java.io.IOException;
import java.io.InputStreamReader;
import java.nio.charset.StandardCharsets;
import java.util.List;
import java.util.Objects;
import java.util.stream.Stream;
import org.hl7.fhir.instance.model.api.IBaseResource;

/**
 * Gives the definitions of R4 that the validator holds. Standard input is canonicals, one on a line; standard output is
 * the StructureDefinition, CodeSystem and ValueSet of each, one JSON document on a line; a canonical that is not known
 * gives none.
 */
public final class Lookup {
  private Lookup() {}

  public static void main(String[] args) throws IOException {
    FhirContext context = FhirContext.forR4();
    DefaultProfileValidationSupport core = new DefaultProfileValidationSupport(context);
    IParser parser = context.newJsonParser().setPrettyPrint(false);
    BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    for (String url : in.lines().toList()) {
      Stream<IBaseResource> found =
          Stream.of(core.fetchStructureDefinition(url), core.fetchCodeSystem(url), core.fetchValueSet(url));
      List<String> lines = found.filter(Objects::nonNull).map(parser::encodeResourceToString).toList();
      lines.forEach(System.out::println);
    }
  }
}
