// Package terms holds the code maps as data: FHIR CodeSystem and ConceptMap
// JSON, embedded, parsed once by Load and checked while it loads. No code of
// another system stands anywhere else in the project.
//
// # What is where
//
//	data/codesystem/    one local CodeSystem a file; its ValueSet of all codes is derived
//	data/conceptmap/    one map a file, local codes to SNOMED CT, LOINC, HCPCS and R4's own codes
//	data/elements.json  fixed concepts by our own name, for Element
//	data/uses.json      which FHIR element each code system or map is used for, the SNOMED CT
//	                    semantic tags that the element takes, and which closed lists of the
//	                    record are not published as codings, with the reason
//	data/evidence/      every code of another system that may leave, with display, semantic tag,
//	                    confidence, licence and evidence; written by internal/gen
//	data/extension/     StructureDefinitions of our own extensions
//
// # How a code leaves
//
// Translate(name, code, setting) takes the name of a code system (a closed list
// of the record, or one of toe, border-of-toe, finding, risk, procedure-part,
// flag, tag, activity, activity-reason, careplan, goal, route, device-kind,
// performer-function) or
// of a further map over one of them (indication-hallux, nail-of-toe,
// risk-condition, encounter-class, flag-category). The local coding comes first, then of each
// target system the first target that the setting permits. For an element whose
// binding is required, extensible or preferred only codings of its set leave and
// the local meaning is in the text (D5.7): encounter-class, contact-reason,
// relationship, flag-category.
//
// Element(name, setting) gives fixed concepts. Names returns them all; they are
//
//	observation-category-{exam,vital-signs,procedure,survey,therapy,laboratory}
//	interpretation-{normal,abnormal,critical,high,low,positive,negative}
//	data-absent-{unknown,asked-unknown,not-asked,masked,not-performed,not-applicable,as-text,error}
//	condition-clinical-{active,recurrence,inactive,resolved}
//	condition-verification-{unconfirmed,provisional,confirmed,refuted,entered-in-error}
//	condition-category-{encounter-diagnosis,problem-list-item}
//	allergy-clinical-{active,inactive,resolved}
//	allergy-verification-{unconfirmed,confirmed,refuted,entered-in-error}
//	encounter-class-{ambulatory,virtual}
//	participant-{primary-performer,secondary-performer,participation}
//	diagnosis-use-{pre-op,post-op,chief-complaint,comorbidity}
//	identifier-type-{mr,prn,acsn,plac,fill}
//	provenance-activity-{create,update,nullify}
//	provenance-agent-{author,performer,enterer,verifier,assembler,custodian}
//	goal-achievement-{in-progress,improving,worsening,no-change,achieved,not-achieved}
//	consent-scope-{treatment,patient-privacy}, consent-category-{sharing,procedure}, consent-role-recipient
//	organization-type-provider, plan-definition-type-clinical-protocol
//	procedure-category-{surgical,education}
//	body-weight, review-visit, careplan-category, no-known-allergy
//	surgery-sitting, nail-operation, matrix-treatment, block, tourniquet, flush, dressing,
//	pressure-dressing, perfusion-check (Procedure.code)
//	recall, telephone-review, dressing-change, regrowth-review (CarePlan.activity.detail.code)
//	goal-{healed,no-regrowth,discharged}
//	open-flag, newer-record-held (meta.tag), bridge-device (Device.type)
//
// # Licences
//
// SNOMED CT is copyright SNOMED International (IHTSDO). Rows of its own CC BY
// sets leave by default; rows that need an affiliate licence leave only under
// the setting Licensed (D7.1). LOINC is copyright Regenstrief Institute, Inc.
// and the LOINC Committee, available at no cost under
// https://loinc.org/license. UCUM is copyright Regenstrief Institute, Inc. and
// the UCUM Organization. HCPCS Level II modifiers are published by CMS.
// Coding.version is omitted while releases are mixed (D8.1).
package terms
