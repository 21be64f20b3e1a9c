// What R4's archive says of search: the definitions of parameters, and the code system that an element of type code implies.
const { readArchive } = require('./archive.cjs'); // laid beside this by conformance/oracles/npm

// Parameters that R4 has on the page of BodyStructure (bodystructure.html, Search Parameters) and that its archive leaves out.
const leftOut = ['identifier token BodyStructure.identifier', 'location token BodyStructure.location',
  'morphology token BodyStructure.morphology', 'patient reference BodyStructure.patient'].map((line) => {
  const [code, type, expression] = line.split(' ');
  return { url: `http://hl7.org/fhir/SearchParameter/BodyStructure-${code}`, code, type, expression, target: ['Patient'] };
});

// readDefinitions gives the definitions by URL, those of the bridge's own parameters among them, and impliedSystem(type, expression);
// ofString(type, expression) tells whether the element is a string.
function readDefinitions(archive, own) {
  const files = readArchive(archive, ['SearchParameter-', 'StructureDefinition-', 'ValueSet-']);
  const of = (type) => files.filter((f) => f.resourceType === type);
  const byURL = new Map([...leftOut, ...of('SearchParameter'), ...own].map((p) => [p.url, p]));
  const valueSets = new Map(of('ValueSet').map((v) => [v.url, v]));
  const elements = new Map();
  for (const definition of of('StructureDefinition')) {
    for (const e of definition.derivation === 'constraint' ? [] : definition.snapshot?.element || []) {
      elements.set(e.path, e);
    }
  }
  // search.html#token: the system of a code is that of the value set that its element is bound to.
  const impliedSystem = (type, expression) => {
    for (const part of expression.split(' | ')) {
      const element = elements.get(part.trim());
      if (part.trim().startsWith(type + '.') && element?.type?.[0].code === 'code' && element.binding?.strength === 'required') {
        return valueSets.get(element.binding.valueSet.split('|')[0])?.compose?.include?.[0].system;
      }
    }
    return undefined;
  };
  const ofString = (type, expression) => expression.split(' | ').some((part) => part.trim().startsWith(type + '.') && elements.get(part.trim())?.type?.[0].code === 'string');
  return { byURL, impliedSystem, ofString };
}

module.exports = { readDefinitions };
