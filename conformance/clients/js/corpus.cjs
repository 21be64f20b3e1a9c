// The resources of a hub, and a search among them that looks at every one: no index, and no code of the bridge.
const { readDefinitions } = require('./definitions.cjs');
const { valuesOf } = require('./values.cjs');
const match = require('./match.cjs');

// names of which R4 lets each word be found
const namesOfPeople = ['name', 'family', 'given'];
const people = ['Patient', 'Practitioner', 'RelatedPerson'];

class Corpus {
  // input: {base, zone, archive, own, statement, resources}
  constructor(input) {
    match.settle(input);
    const { byURL, impliedSystem, ofString } = readDefinitions(input.archive, input.own);
    this.byType = new Map();
    this.byReference = new Map();
    for (const r of input.resources) {
      this.byReference.set(`${r.resourceType}/${r.id}`, r);
      this.byType.set(r.resourceType, [...(this.byType.get(r.resourceType) || []), r]);
    }
    this.parameters = new Map(); // of each type declared, by name
    this.kept = new Set(); // types that are stored, which chains may reach
    for (const declared of input.statement.rest[0].resource) {
      if (declared.interaction.some((i) => i.code === 'history-type')) {
        this.kept.add(declared.type);
      }
      this.parameters.set(declared.type, new Map(declared.searchParam.map((p) => {
        const definition = byURL.get(p.definition);
        if (!definition || definition.code !== p.name || definition.type !== p.type) {
          throw new Error(`${declared.type} ${p.name}: ${p.definition} is not defined so`);
        }
        return [p.name, this.parameter(declared.type, definition, impliedSystem, ofString, byURL)];
      })));
    }
    this.found = new Map(); // values of parameters that were asked for already
  }

  parameter(type, definition, impliedSystem, ofString, byURL) {
    const { code: name, type: kind, expression } = definition;
    const p = { name, kind, expression, common: expression.startsWith('Resource.'), targets: definition.target || [] };
    p.implied = kind === 'token' ? impliedSystem(type, expression) : undefined;
    p.caseless = kind === 'token' && ofString(type, expression); // search.html#token: of a string
    p.canonical = name === '_profile' || name === 'instantiates-canonical';
    p.words = namesOfPeople.includes(name) && people.includes(type);
    if (name === 'patient') { // its expression lets no other type through
      p.targets = ['Patient'];
    }
    p.parts = (definition.component || []).map((c) => ({ part: byURL.get(c.definition).code, expression: c.expression }));
    return p;
  }

  all(type) {
    return this.byType.get(type) || [];
  }

  values(resource, expression) {
    if (!this.found.has(expression)) {
      this.found.set(expression, new Map());
    }
    const of = this.found.get(expression);
    if (!of.has(resource)) {
      of.set(resource, valuesOf(resource, expression));
    }
    return of.get(resource);
  }

  // search gives the ids that meet every criterion, [[name, value], ...].
  search(type, criteria) {
    return this.all(type).filter((r) => criteria.every(([name, value]) => this.holds(r, name, value))).map((r) => r.id);
  }

  // holds: a resource meets a criterion (search.html#modifiers, #chaining).
  holds(resource, whole, value) {
    const [head, ...rest] = whole.split('.');
    const [name, modifier] = head.split(':');
    const p = this.parameters.get(resource.resourceType).get(name);
    if (rest.length > 0) {
      return this.values(resource, p.expression).some((v) => {
        const target = this.byReference.get(match.local(v.reference || '').split('/_history/')[0]);
        return target !== undefined && (!modifier || target.resourceType === modifier) && this.holds(target, rest.join('.'), value);
      });
    }
    if (modifier === 'missing') {
      return (this.values(resource, p.expression).length === 0) === (value === 'true');
    }
    const some = match.split(value, ',').some((one) => this.meets(resource, p, modifier, one));
    return modifier === 'not' ? !some : some;
  }

  meets(resource, p, modifier, asked) {
    if (p.kind === 'composite') {
      const type = resource.resourceType;
      return match.split(asked, '$').every((one, i) => this.meets(resource, this.parameters.get(type).get(p.parts[i].part), undefined, one));
    }
    return this.values(resource, p.expression).some((v) => meetsValue(resource.resourceType, p, modifier, asked, v));
  }
}

function meetsValue(type, p, modifier, asked, value) {
  switch (p.kind) {
    case 'token':
      return p.caseless ? match.token(asked.toLowerCase(), value.toLowerCase()) : match.token(asked, value, p.implied);
    case 'date':
      return match.date(asked, value);
    case 'quantity':
      return match.quantity(asked, value);
    case 'string':
      return match.string(asked, value, { modifier, words: p.words });
    case 'uri':
      return p.canonical ? match.canonical(asked, value) : match.uri(asked, value);
    case 'reference':
      if (p.canonical) {
        return match.canonical(asked, value);
      }
      if (modifier === 'identifier') {
        return value.identifier !== undefined && match.token(asked, value.identifier);
      }
      return match.reference(asked, value, { type, targets: p.targets, as: modifier });
    default:
      throw new Error(`no search by ${p.kind}`);
  }
}

module.exports = { Corpus };
