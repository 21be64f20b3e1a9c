package nailbridge.oracle;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.io.IOException;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.Objects;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.common.hapi.validation.validator.WorkerContextValidationSupportAdapter;
import org.hl7.fhir.r5.model.StructureDefinition;

/**
 * HL7's validator, set to R4, offline and strict, with the definitions of the project beside those of the standard. Any
 * number of threads may check with it: the validator makes a checker of its own for each document. To make one takes
 * longer than to check a small resource, so many resources are sooner checked in Bundles than alone.
 */
final class Engine {
  private final FhirValidator validator;
  private final Codings codings;

  Engine(List<Path> definitionFolders) throws IOException, Refusal {
    FhirContext context = FhirContext.forR4();
    IValidationSupport knowledge = knowledge(context, definitionFolders);
    FhirInstanceValidator rules = new FhirInstanceValidator(knowledge);
    rules.setWrappedWorkerContext(knowledge, prepared(knowledge));
    rules.setAnyExtensionsAllowed(false); // an extension without a StructureDefinition is an error
    rules.setErrorForUnknownProfiles(true);
    rules.setAssumeValidRestReferences(true); // whether a target exists is the store's business; its type is checked
    validator = context.newValidator();
    validator.registerValidatorModule(rules);
    codings = new Codings(knowledge);
  }

  /**
   * What the validator shares between documents, made before the first is checked. Threads then only read the structures
   * and their snapshots, which they would else make at the same time and for one another's use.
   */
  private static WorkerContextValidationSupportAdapter prepared(IValidationSupport knowledge) {
    WorkerContextValidationSupportAdapter context =
        WorkerContextValidationSupportAdapter.newVersionSpecificWorkerContextWrapper(knowledge);
    for (StructureDefinition structure : context.fetchResourcesByType(StructureDefinition.class)) {
      if (!structure.hasSnapshot()) {
        context.fetchResource(StructureDefinition.class, structure.getUrl());
      }
    }
    return context;
  }

  /** What is known, asked in this order: the project's definitions, the standard's, the code systems it names. */
  private static IValidationSupport knowledge(FhirContext context, List<Path> definitionFolders)
      throws IOException, Refusal {
    return new ValidationSupportChain(
        Definitions.load(context, definitionFolders),
        new DefaultProfileValidationSupport(context),
        new CommonCodeSystemsTerminologyService(context),
        new InMemoryTerminologyServerValidationSupport(context),
        new SnapshotGeneratingValidationSupport(context));
  }

  /** Everything there is to say about one input. What the validator throws becomes a finding as well. */
  List<Finding> check(Input input) {
    List<Finding> findings = new ArrayList<>();
    try {
      for (SingleValidationMessage message : validator.validateWithResult(input.text()).getMessages()) {
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
