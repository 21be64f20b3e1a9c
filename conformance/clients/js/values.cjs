// The values that a search parameter finds in a resource, by fhirpath.js and the expression of the parameter's definition.
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

// resolve() of a reference is known no further than the type that it names: R4's expressions ask for no more, and what a search
// finds must not depend on what else is stored.
const resolve = {
  arity: { 0: [] },
  internalStructures: true,
  fn: (references) => references.map((node) => {
    const parts = String(node.data.reference || '').split('/_history/')[0].split('/');
    const type = parts.length > 1 ? parts[parts.length - 2] : 'Resource';
    return node.constructor.makeResNode(node.ctx, { resourceType: type }, null, type, null, type);
  }),
};

const programs = new Map();

// R4's expressions narrow whole collections by "as", for which FHIRPath N1 (6.3.4) has ofType() since.
const narrowed = (expression) => expression.replace(/\(([\w.]+) as (\w+)\)/g, '$1.ofType($2)').replace(/\.as\(/g, '.ofType(');

// valuesOf evaluates an expression on a resource.
function valuesOf(resource, expression) {
  if (!programs.has(expression)) {
    programs.set(expression, fhirpath.compile(narrowed(expression), r4, { userInvocationTable: { resolve }, resolveInternalTypes: false }));
  }
  // A value comes as a node around what stands in the JSON, where it was not computed.
  return programs.get(expression)(resource).map((v) => (v && typeof v === 'object' && 'fhirNodeDataType' in v ? v.data : v))
    .filter((v) => v !== null && v !== undefined);
}

module.exports = { valuesOf };
