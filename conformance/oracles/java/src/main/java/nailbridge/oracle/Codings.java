package nailbridge.oracle;

import ca.uhn.fhir.context.support.ConceptValidationOptions;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport.CodeValidationResult;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import com.google.gson.JsonArray;
import com.google.gson.JsonElement;
import com.google.gson.JsonObject;
import java.util.ArrayList;
import java.util.List;
import java.util.Map;
import java.util.regex.Pattern;

/**
 * Asks the terminology about every coding, with its display. The validator itself looks closely only at codings under a
 * binding, at the first coding of a CodeableConcept, and never at a display.
 */
final class Codings {
  /** The message id of these findings. */
  static final String ID = "ORACLE_CODING";

  /** Paths that end at an element of type Coding, by the names that R4 gives to such elements; beside them Encounter.class. */
  private static final Pattern CODING = Pattern.compile("\\.((coding|tag|security)\\[\\d+]|valueCoding)$");

  private final IValidationSupport knowledge;
  private final ValidationSupportContext context;

  Codings(IValidationSupport knowledge) {
    this.knowledge = knowledge;
    this.context = new ValidationSupportContext(knowledge);
  }

  /** A finding for every coding, at any depth, whose system, code or display is not known. */
  List<Finding> check(Input input) {
    List<Finding> findings = new ArrayList<>();
    if (input.json() != null) {
      walk(input, Input.member(input.json(), "resourceType"), input.json(), findings);
    }
    return findings;
  }

  private void walk(Input input, String path, JsonElement element, List<Finding> findings) {
    if (element instanceof JsonArray array) {
      for (int i = 0; i < array.size(); i++) {
        walk(input, path + "[" + i + "]", array.get(i), findings);
      }
    } else if (element instanceof JsonObject object) {
      boolean encounter = Input.member(object, "resourceType").equals("Encounter");
      for (Map.Entry<String, JsonElement> member : object.entrySet()) {
        String below = path + "." + member.getKey();
        walk(input, below, member.getValue(), findings);
        if (encounter && member.getKey().equals("class") && member.getValue() instanceof JsonObject coding) {
          checkCoding(input, below, coding, findings);
        }
      }
      if (CODING.matcher(path).find()) {
        checkCoding(input, path, object, findings);
      }
    }
  }

  private void checkCoding(Input input, String path, JsonObject coding, List<Finding> findings) {
    String system = Input.member(coding, "system");
    String code = Input.member(coding, "code");
    String display = Input.member(coding, "display");
    if (system.isEmpty() && code.isEmpty() && coding.has("extension")) {
      return; // it says only why it holds nothing; the validator checks that extension
    }
    if (system.isEmpty() || code.isEmpty()) {
      findings.add(finding(input, path, "a coding without system or code"));
      return;
    }
    CodeValidationResult result =
        knowledge.validateCode(
            context, new ConceptValidationOptions(), system, code, display.isEmpty() ? null : display, null);
    if (result == null) {
      findings.add(finding(input, path, "unknown code system " + system));
    } else if (!result.isOk()) {
      findings.add(finding(input, path, result.getMessage()));
    } else if (!display.isEmpty() && result.getDisplay() != null && !display.equals(result.getDisplay())) {
      findings.add(
          finding(input, path,
              "the display of " + system + "#" + code + " is '" + result.getDisplay() + "', not '" + display + "'"));
    }
  }

  private static Finding finding(Input input, String path, String text) {
    return new Finding("error", input.name(), input.resource(), path, ID, text);
  }
}
