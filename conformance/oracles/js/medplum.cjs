// Validates resources with @medplum/core against the official snapshots, and against the profiles that they claim and
// whose snapshots are given.
//
//   node medplum.cjs CORE.tgz DEFINITIONS.ndjson DOCUMENTS.ndjson
const medplum = require('@medplum/core');
const { Report, snapshots, readLines } = require('./shared.cjs');

const [core, definitions, documents] = process.argv.slice(2);

// guarded gives bdl-8 (R4 bundle.html: "fullUrl cannot be a version specific reference") the condition that it means:
// this library takes an expression that comes to nothing, as of an entry without fullUrl, for broken.
function guarded(definition) {
  for (const constraint of definition.snapshot.element.flatMap((e) => e.constraint || [])) {
    if (constraint.key === 'bdl-8') {
      constraint.expression = `fullUrl.empty() or (${constraint.expression})`;
    }
  }
  return definition;
}

// spelledOut says in the snapshot what a slice of extensions means by the profile of its type: their url. The library does
// not look into that profile.
function spelledOut(definition) {
  const elements = definition.snapshot?.element.flatMap((e) => {
    const profile = e.sliceName && e.type?.[0].code === 'Extension' && e.type[0].profile?.[0];
    return profile ? [e, { id: `${e.id}.url`, path: `${e.path}.url`, min: 1, max: '1', type: [{ code: 'uri' }], fixedUri: profile }] : [e];
  });
  return elements ? { ...definition, snapshot: { element: elements } } : definition;
}

medplum.indexStructureDefinitionBundle([...snapshots(core).values()].map(guarded));
const further = new Map(readLines(definitions).map(JSON.parse)
  .filter((d) => d.resourceType === 'StructureDefinition').map((d) => [d.url, spelledOut(d)]));

const report = new Report();

function validate(at, ask) {
  report.asked++;
  let issues;
  try {
    issues = ask();
  } catch (e) {
    if (!e.outcome) {
      throw e;
    }
    issues = e.outcome.issue;
  }
  for (const issue of issues) {
    const place = (issue.expression || []).join(' ');
    if (/^Bundle\.entry\[\d+\]\.resource\b/.test(place)) {
      continue; // told of the resource by itself
    }
    report.find(issue.severity, at.input, at.resource, place, keyOf(issue), issue.details?.text || issue.diagnostics);
  }
}

// keyOf is the key of the invariant, or the code of the issue.
const keyOf = (issue) => /^Constraint ([a-z0-9-]+) not met/.exec(issue.details?.text || '')?.[1] || issue.code;

function* extensionsOf(value) {
  if (Array.isArray(value)) {
    for (const v of value) {
      yield* extensionsOf(v);
    }
  } else if (value !== null && typeof value === 'object') {
    for (const [key, v] of Object.entries(value)) {
      if (key === 'resource') {
        continue; // handed out by itself
      }
      if ((key === 'extension' || key === 'modifierExtension') && Array.isArray(v)) {
        yield* v.filter((x) => further.has(x?.url));
      }
      yield* extensionsOf(v);
    }
  }
}

report.over(documents, (at) => {
  validate(at, () => medplum.validateResource(at.resource));
  for (const url of Array.isArray(at.resource.meta?.profile) ? at.resource.meta.profile : []) {
    if (further.has(url)) {
      validate(at, () => medplum.validateResource(at.resource, { profile: further.get(url) }));
    }
  }
  for (const value of extensionsOf(at.resource)) {
    validate(at, () => medplum.validateTypedValue({ type: 'Extension', value }, { profile: further.get(value.url) }));
  }
});
report.end();
