package nailbridge.oracle;

import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.parser.IParser;
import java.io.PrintStream;
import java.util.List;
import java.util.Objects;
import java.util.stream.Stream;
import org.hl7.fhir.instance.model.api.IBaseResource;

/** Gives the definitions of R4 that the validator holds. */
final class Lookup {
  private Lookup() {}

  /**
   * Prints the StructureDefinition, CodeSystem and ValueSet of each canonical, one JSON document on a line; a canonical that
   * is not known gives none.
   */
  static void print(List<String> canonicals, PrintStream out) {
    DefaultProfileValidationSupport core = Engine.STANDARD;
    IParser parser = Engine.R4.newJsonParser().setPrettyPrint(false);
    for (String url : canonicals) {
      Stream<IBaseResource> found =
          Stream.of(core.fetchStructureDefinition(url), core.fetchCodeSystem(url), core.fetchValueSet(url));
      found.filter(Objects::nonNull).map(parser::encodeResourceToString).forEach(out::println);
    }
  }
}
