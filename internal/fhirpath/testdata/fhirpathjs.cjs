// Evaluates FHIRPath with fhirpath.js: a line {"resource": {...}, "expressions": ["..."]} in, a line of results out, each
// a list of texts or {"error": "..."}.
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const compiled = new Map();

function compile(expression) {
  if (!compiled.has(expression)) {
    compiled.set(expression, fhirpath.compile(expression, r4, { traceFn: () => {} }));
  }
  return compiled.get(expression);
}

function evaluate(resource, expression) {
  try {
    return compile(expression)(resource, { resource, rootResource: resource }).map(String);
  } catch (e) {
    return { error: String(e.message || e) };
  }
}

require('readline').createInterface({ input: process.stdin }).on('line', (line) => {
  const { resource, expressions } = JSON.parse(line);
  process.stdout.write(JSON.stringify(expressions.map((e) => evaluate(resource, e))) + '\n');
});
