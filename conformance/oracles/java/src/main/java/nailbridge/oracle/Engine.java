package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.util.ArrayList;
import java.util.List;
import java.util.Objects;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.common.hapi.validation.validator.WorkerContextValidationSupportAdapter;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r5.model.StructureDefinition;

/**
 * HL7's validator, set to R4, offline and strict, with the definitions of the project beside those of the standard. Any
 * number of threads may check with it: the validator makes a checker of its own for each document. To make one takes
 * longer than to check a small resource, so many resources are sooner checked in Bundles than alone.
 */
final class Engine {
  static final FhirContext R4 = FhirContext.forR4();
  static final DefaultProfileValidationSupport STANDARD = new DefaultProfileValidationSupport(R4);

  private static List<String> lastTexts;
  private static Engine last;

  private final FhirValidator validator;
  private final Codings codings;
  private final IValidationSupport own;
  private final IValidationSupport knowledge;

  /** The engine with some definitions: the last one again, if it was made with the same. */
  static Engine knowing(Definitions definitions) throws Refusal {
    if (last == null || !lastTexts.equals(definitions.texts())) {
      last = null; // two at once would take twice the memory
      last = new Engine(definitions);
      lastTexts = definitions.texts();
    }
    return last;
  }

  private Engine(Definitions definitions) throws Refusal {
    own = definitions.load(R4);
    ValidationSupportChain known = known(own);
    WorkerContextValidationSupportAdapter context =
        WorkerContextValidationSupportAdapter.newVersionSpecificWorkerContextWrapper(known);
    // Without a context it makes one for each snapshot, and converts every structure that is known for that.
    known.addValidationSupport(new SnapshotGeneratingValidationSupport(R4, context));
    prepare(context);
    knowledge = known;
    FhirInstanceValidator rules = new FhirInstanceValidator(knowledge);
    rules.setWrappedWorkerContext(knowledge, context);
    rules.setAnyExtensionsAllowed(false); // an extension without a StructureDefinition is an error
    rules.setErrorForUnknownProfiles(true);
    rules.setAssumeValidRestReferences(true); // whether a target exists is the store's business; its type is checked
    validator = R4.newValidator();
    validator.registerValidatorModule(rules);
    codings = new Codings(knowledge);
  }

  /**
   * Makes what the validator shares between documents before the first is checked. Threads then only read the structures
   * and their snapshots, which they would else make at the same time and for one another's use.
   */
  private static void prepare(WorkerContextValidationSupportAdapter context) {
    for (StructureDefinition structure : context.fetchResourcesByType(StructureDefinition.class)) {
      if (!structure.hasSnapshot()) {
        context.fetchResource(StructureDefinition.class, structure.getUrl());
      }
    }
  }

  /** What is known, asked in this order: the project's definitions, the standard's, the code systems it names. */
  private static ValidationSupportChain known(IValidationSupport own) {
    return new ValidationSupportChain(
        own, STANDARD, new CommonCodeSystemsTerminologyService(R4), new InMemoryTerminologyServerValidationSupport(R4));
  }

  /** The project's StructureDefinitions, one a line, with the snapshots that the validator makes of them. */
  List<String> snapshots() {
    List<String> lines = new ArrayList<>();
    ValidationSupportContext context = new ValidationSupportContext(knowledge);
    for (IBaseResource structure : Objects.requireNonNull(own.<IBaseResource>fetchAllNonBaseStructureDefinitions())) {
      var known = (org.hl7.fhir.r4.model.StructureDefinition) structure;
      if (!known.hasSnapshot()) {
        known = (org.hl7.fhir.r4.model.StructureDefinition) knowledge.generateSnapshot(context, known, known.getUrl(), null, known.getName());
      }
      lines.add(R4.newJsonParser().setPrettyPrint(false).encodeResourceToString(known));
    }
    return lines;
  }

  /** What the validator itself says. */
  private List<SingleValidationMessage> validate(Input input) {
    return validator.validateWithResult(input.text()).getMessages();
  }

  /** Validates for the time that it takes. What the validator throws was told by {@link #check}. */
  void again(Input input) {
    try {
      validate(input);
    } catch (RuntimeException | StackOverflowError e) {
      // it takes its time too
    }
  }

  /** Everything there is to say about one input. What the validator throws becomes a finding as well. */
  List<Finding> check(Input input) {
    List<Finding> findings = new ArrayList<>();
    try {
      for (SingleValidationMessage message : validate(input)) {
        findings.add(finding(input, message));
      }
      findings.addAll(codings.check(input));
    } catch (RuntimeException | StackOverflowError e) {
      findings.add(Finding.failure(input, "EXCEPTION", e));
    }
    return findings;
  }

  private static Finding finding(Input input, SingleValidationMessage message) {
    return new Finding(
        message.getSeverity().getCode(),
        input.name(),
        input.resource(),
        Objects.requireNonNullElse(message.getLocationString(), ""),
        Objects.requireNonNullElse(message.getMessageId(), ""),
        Objects.requireNonNullElse(message.getMessage(), ""));
  }
}
