// Evaluates with fhirpath.js every invariant that the official snapshots put on the elements of resources, and those of
// further definitions on the resources and extensions that claim them.
//
//   node walker.cjs CORE.tgz DEFINITIONS.ndjson DOCUMENTS.ndjson
//
// An invariant on a slice is left out: which slice an element is in, this does not decide.
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');
const { Report, snapshots, readLines, isObject } = require('./shared.cjs');

// What the library has wrong, by invariant and path; it is told once as information: xhtml is a primitive type (R4
// datatypes.html) and the div of a narrative has a value.
const wrong = new Set(['ele-1 Narrative.div']);

// An empty result holds where the text that an invariant asks about is not there (R4 references.html, bundle.html); of
// all others it is a failure.
const holdsEmpty = new Set(['ref-1', 'bdl-8']);

const [core, definitions, documents] = process.argv.slice(2);

// Layout is a type's elements by path, with the names of those below each.
class Layout {
  constructor(definition) {
    this.elements = new Map();
    for (const element of definition.snapshot.element) {
      this.elements.set(element.path, element);
    }
    this.type = definition.type;
  }

  // child gives the element that a member of JSON is of, and its type: {element, type}.
  child(path, key) {
    const plain = this.elements.get(`${path}.${key}`);
    if (plain) {
      return { element: plain, type: plain.type?.[0].code };
    }
    for (let cut = key.length - 1; cut > 0; cut--) {
      const choice = this.elements.get(`${path}.${key.slice(0, cut)}[x]`);
      const type = choice?.type.find((t) => t.code.toLowerCase() === key.slice(cut).toLowerCase() && /[A-Z]/.test(key[cut]));
      if (type) {
        return { element: choice, type: type.code };
      }
    }
    return undefined;
  }
}

const layouts = new Map([...snapshots(core)].map(([type, definition]) => [type, new Layout(definition)]));
const further = new Map(); // constraints of other definitions, by canonical and path
for (const definition of readLines(definitions).map(JSON.parse).filter((d) => d.resourceType === 'StructureDefinition')) {
  const by = new Map();
  for (const element of (definition.snapshot || definition.differential).element) {
    if (element.constraint && !element.id.includes(':')) {
      by.set(element.path, element.constraint);
    }
  }
  further.set(definition.url, by);
}

const report = new Report();
const programs = new Map();
const known = new Map(); // what an invariant that looks at nothing around said of an element
const unable = new Map(); // why nothing can be said, by invariant and path

function compile(base, expression) {
  const key = `${base} ${expression}`;
  if (!programs.has(key)) {
    programs.set(key, fhirpath.compile({ base, expression }, r4, { traceFn: () => {} }));
  }
  return programs.get(key);
}

// evaluate gives true, false, or the text of an error.
function evaluate(base, constraint, node, env) {
  let result;
  try {
    result = compile(base, constraint.expression)(node, env);
  } catch (e) {
    return String(e.message || e);
  }
  if (result.length === 0) {
    return holdsEmpty.has(constraint.key);
  }
  return result.every((r) => r === true);
}

// looksAround: an invariant whose result another part of the resource may change.
const looksAround = (expression) => /%resource|%rootResource|resolve\(/.test(expression);

// hold asks whether a node meets a constraint. Of a primitive, node is an object of its parent with that member alone.
// path is the element's in its type.
function hold(at, base, constraint, node, text, path) {
  if (!constraint.expression || (constraint.key === 'dom-6' && at.resource !== at.root)) {
    return; // "Contained resources do not have narrative." (R4 domainresource.html, text)
  }
  report.asked++;
  let said;
  if (looksAround(constraint.expression)) {
    said = evaluate(base, constraint, node, { resource: at.resource, rootResource: at.root });
  } else {
    const key = `${base} ${constraint.expression} ${text}`;
    said = known.get(key);
    if (said === undefined) {
      known.set(key, said = evaluate(base, constraint, node, {}));
    }
  }
  if (typeof said === 'string') {
    unable.set(`${constraint.key} ${path}`, `cannot be evaluated: ${said.split(', got')[0]}`);
  } else if (!said && wrong.has(`${constraint.key} ${path}`)) {
    unable.set(`${constraint.key} ${path}`, 'known to be wrong');
  } else if (!said) {
    report.find(constraint.severity === 'error' ? 'error' : 'warning', at.input, at.resource, at.place, constraint.key, constraint.human);
  }
}

// constraintsOf are those of an element, of its type, and of further definitions, each key once for each expression.
function constraintsOf(element, type, overlays) {
  const lists = [element?.constraint, layouts.get(type)?.elements.get(type)?.constraint, ...overlays.map((o) => o.by.get(o.path))];
  const by = new Map();
  for (const constraint of lists.flatMap((list) => list || [])) {
    by.set(`${constraint.key} ${constraint.expression}`, constraint);
  }
  return by.values();
}

function walkObject(at, layout, path, node, overlays) {
  for (const key of Object.keys(node)) {
    const bare = key.startsWith('_') ? key.slice(1) : key;
    if (key === 'resourceType' || (key !== bare && bare in node)) {
      continue;
    }
    const found = layout.child(path, bare);
    if (!found) {
      report.find('error', at.input, at.resource, `${at.place}.${key}`, 'UNKNOWN', 'an element that no snapshot has');
      continue;
    }
    const name = found.element.path.slice(path.length + 1);
    const below = overlays.map((o) => ({ by: o.by, path: `${o.path}.${name}` }));
    const many = Array.isArray(node[bare] ?? node['_' + bare]);
    const values = many ? node[bare] ?? node['_' + bare].map(() => undefined) : [node[bare]];
    for (const [i, value] of values.entries()) {
      const beside = many ? node['_' + bare]?.[i] : node['_' + bare];
      const place = `${at.place}.${bare}${many ? `[${i}]` : ''}`;
      walkValue({ ...at, place }, layout, path, bare, many, found, value, beside, below);
    }
  }
}

function walkValue(at, layout, path, name, many, { element, type }, value, beside, overlays) {
  if (type === 'Resource') {
    if (isObject(value) && element.path.endsWith('.contained')) {
      walkResource({ ...at, resource: value }, value);
    }
    return; // what stands in a Bundle is handed out by itself
  }
  if (element.contentReference) {
    const target = layout.elements.get(element.contentReference.slice(1));
    return walkComplex(at, layout, target.path, value, constraintsOf(element, undefined, overlays), overlays);
  }
  if (isObject(value)) {
    const backbone = type === 'BackboneElement' || type === 'Element';
    const inside = type === 'Extension' && further.has(value.url) ? [{ by: further.get(value.url), path: 'Extension' }] : [];
    const list = constraintsOf(element, type, [...overlays, ...inside]);
    return walkComplex(at, backbone ? layout : layouts.get(type), backbone ? element.path : type, value, list, [...overlays, ...inside]);
  }
  const part = {};
  if (value !== undefined && value !== null) {
    part[name] = many ? [value] : value;
  }
  if (isObject(beside)) {
    part['_' + name] = many ? [beside] : beside;
    walkObject(at, layouts.get('Element'), 'Element', beside, []);
  }
  const choice = element.path.endsWith('[x]') ? element.path.split('.').pop().slice(0, -3) : name;
  for (const constraint of constraintsOf(element, type, overlays)) {
    hold(at, path, { ...constraint, expression: `${quote(choice)}.select(${constraint.expression})` }, part, JSON.stringify(part), element.path);
  }
}

function walkComplex(at, layout, path, value, constraints, overlays) {
  if (!isObject(value) || !layout) {
    report.find('error', at.input, at.resource, at.place, 'UNKNOWN', 'a value that no snapshot has');
    return;
  }
  const text = JSON.stringify(value);
  for (const constraint of constraints) {
    hold(at, path, constraint, value, text, path);
  }
  walkObject(at, layout, path, value, overlays);
}

const quote = (name) => (['div', 'contains', 'as', 'in', 'is', 'and', 'or'].includes(name) ? `\`${name}\`` : name);

function walkResource(at, resource) {
  const layout = layouts.get(resource.resourceType);
  if (!layout) {
    report.find('error', at.input, resource, at.place, 'UNKNOWN', 'a type that R4 does not have');
    return;
  }
  const claimed = (Array.isArray(resource.meta?.profile) ? resource.meta.profile : []).filter((url) => further.has(url));
  const overlays = claimed.map((url) => ({ by: further.get(url), path: resource.resourceType }));
  walkComplex(at, layout, resource.resourceType, resource, constraintsOf(undefined, resource.resourceType, overlays), overlays);
}

report.over(documents, ({ input, resource, place }) => walkResource({ input, resource, root: resource, place }, resource));
for (const [of, why] of unable) {
  const [key, path] = of.split(' ');
  report.find('information', '', {}, path, key, why);
}
report.end();
