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

// The library parses a profile anew for every value that it holds to it, which is more than half of all its work. schemas has
// each profile parsed, by its canonical.
const schemas = new Map();
const types = medplum.getAllDataTypes();

function schemaOf(profile) {
  if (!schemas.has(profile.url)) {
    schemas.set(profile.url, medplum.parseStructureDefinition(profile));
  }
  return schemas.get(profile.url);
}

// heldTo lets the library take a profile for the schema of a type when it next looks for that, which is where it begins; what
// it looks for after that, within the value, is R4's own.
function heldTo(profile, type, ask) {
  const own = types[type];
  const restore = () => Object.defineProperty(types, type, { value: own, configurable: true, enumerable: true, writable: true });
  Object.defineProperty(types, type, {
    configurable: true,
    enumerable: true,
    get() {
      restore();
      return schemaOf(profile);
    },
  });
  try {
    return ask();
  } finally {
    restore();
  }
}

const known = new Map(); // what the library said of a value under a profile: it sees nothing around it

function validate(at, canonical, value, ask) {
  report.asked++;
  const key = `${canonical} ${JSON.stringify(value)}`;
  let issues = known.get(key);
  if (!issues) {
    known.set(key, issues = issuesOf(ask));
  }
  for (const issue of issues) {
    const place = (issue.expression || []).join(' ');
    if (/^Bundle\.entry\[\d+\]\.resource\b/.test(place)) {
      continue; // told of the resource by itself
    }
    report.find(issue.severity, at.input, at.resource, place, keyOf(issue), issue.details?.text || issue.diagnostics);
  }
}

function issuesOf(ask) {
  try {
    return ask();
  } catch (e) {
    if (!e.outcome) {
      throw e;
    }
    return e.outcome.issue;
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
  const { resource } = at;
  validate(at, '', resource, () => medplum.validateResource(resource));
  for (const url of Array.isArray(resource.meta?.profile) ? resource.meta.profile : []) {
    const profile = further.get(url);
    if (profile) {
      validate(at, url, resource, () => heldTo(profile, resource.resourceType, () => medplum.validateResource(resource)));
    }
  }
  for (const value of extensionsOf(resource)) {
    validate(at, value.url, value, () => heldTo(further.get(value.url), 'Extension', () => medplum.validateTypedValue({ type: 'Extension', value })));
  }
});
report.end();
