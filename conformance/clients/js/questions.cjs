// The questions asked of each parameter that is declared: values taken from the data, each prefix at their edges, each
// modifier, chains, and values that nothing has. The same resources give the same questions.
const match = require('./match.cjs');

const prefixes = ['', 'eq', 'ne', 'gt', 'lt', 'ge', 'le', 'sa', 'eb', 'ap'];
const nobody = 'no-such-value';

// spread takes up to n of a list, from its beginning to its end.
function spread(list, n) {
  const step = Math.max(1, (list.length - 1) / (n - 1 || 1));
  return [...new Set(Array.from({ length: Math.min(n, list.length) }, (_, i) => list[Math.round(i * step)]))];
}

// distinct are the different values in a fixed order, that of their JSON.
const distinct = (values) => [...new Map(values.map((v) => [JSON.stringify(v), v])).entries()].sort(([a], [b]) => (a < b ? -1 : 1)).map(([, v]) => v);

function* questionsOf(corpus, type) {
  const declared = [...corpus.parameters.get(type).values()];
  for (const p of declared) {
    const values = p.kind === 'composite' ? [] : distinct(corpus.all(type).flatMap((r) => corpus.values(r, p.expression)));
    for (const [name, value] of byKind[p.kind](corpus, type, p, values)) {
      yield [[name, value]];
    }
    if (p.name !== '_id' && p.name !== '_lastUpdated' && p.kind !== 'composite') { // what nothing lacks is not asked
      yield [[`${p.name}:missing`, 'true']];
      yield [[`${p.name}:missing`, 'false']];
    }
    if (p.kind === 'reference' && !p.canonical) {
      yield* chainsOf(corpus, type, p, values).map((criterion) => [criterion]);
    }
  }
  yield* together(corpus, type, declared);
}

const byKind = {
  token(_, __, p, values) {
    const pairs = distinct(values.flatMap((v) => match.tokens(v, p.implied)).filter((t) => t.system || t.code));
    const hasSystem = values.some((v) => typeof v === 'object' && !('value' in v && match.tokens(v)[0].system === '')) || p.implied;
    const some = spread(pairs, p.common ? 1 : 2);
    const out = some.map((t) => [p.name, match.escaped(t.code)]).filter(([, v]) => v);
    for (const t of hasSystem ? some : []) {
      const system = t.system || t.implied || '';
      out.push([p.name, `${match.escaped(system)}|${match.escaped(t.code)}`], [p.name, `urn:other|${match.escaped(t.code)}`]);
      out.push([p.name, `|${match.escaped(t.code || nobody)}`]);
      if (system) {
        out.push([p.name, `${match.escaped(system)}|`], [p.name, `${match.escaped(system)}|${nobody}`]);
      }
    }
    if (p.caseless) {
      out.push(...some.flatMap((t) => [[p.name, match.escaped(t.code.toUpperCase())], [p.name, match.escaped(t.code.toLowerCase())]]));
    }
    const codes = some.map((t) => match.escaped(t.code)).filter(Boolean);
    const absent = ['true', 'false'].includes(codes[0]) || p.name === 'active' || p.name === 'deceased' ? 'false' : nobody;
    if (codes.length > 0) {
      out.push([p.name, codes.join(',')], [p.name, `${absent},${codes[0]}`], [`${p.name}:not`, codes[0]], [`${p.name}:not`, codes.join(',')]);
    }
    return [...out, [p.name, absent], [`${p.name}:not`, absent]];
  },

  reference(corpus, type, p, values) {
    if (p.canonical) {
      return canonicals(p, values);
    }
    const out = [];
    const literal = values.filter((v) => v.reference && !v.reference.startsWith('#'));
    for (const { reference } of spread(literal, 1)) {
      const bare = match.local(reference).split('/_history/')[0];
      const [of, id] = bare.split('/');
      out.push([p.name, reference], [p.name, bare], [p.name, `${corpus.base}/${bare}`], [p.name, id], [p.name, `${bare}/_history/none-1`]);
      out.push([`${p.name}:${of}`, id], [`${p.name}:${of}`, bare], [p.name, `${bare},${of}/${nobody}`], [p.name, `${of}/${nobody}`]);
      out.push(...p.targets.filter((t) => t !== of && corpus.parameters.has(t)).slice(0, 1).map((t) => [`${p.name}:${t}`, id]));
    }
    for (const { identifier } of spread(values.filter((v) => v.identifier), 2)) {
      out.push([`${p.name}:identifier`, match.escaped(identifier.value || nobody)]);
      out.push([`${p.name}:identifier`, `${match.escaped(identifier.system || '')}|${match.escaped(identifier.value || nobody)}`]);
    }
    return [...out, [`${p.name}:identifier`, nobody], [p.name, nobody], [p.name, `https://elsewhere.example/fhir/Patient/${nobody}`]];
  },

  uri(_, __, p, values) {
    if (p.canonical) {
      return canonicals(p, values);
    }
    const out = spread(values, p.common ? 1 : 2).flatMap((v) => [[p.name, match.escaped(v)], [p.name, match.escaped(v.slice(0, -1))], [p.name, match.escaped(v + '/')]]);
    return [...out, [p.name, 'urn:' + nobody]];
  },

  string(_, __, p, values) {
    const out = [];
    for (const v of spread(distinct(values.flatMap(match.strings)), 2)) {
      const middle = match.fold(v).slice(1, 4).trim();
      for (const text of [v, v.toUpperCase(), [...v].slice(0, 3).join(''), match.fold(v), v.split(/[ -]/).pop(), v.slice(1)]) {
        out.push([p.name, match.escaped(text)], [`${p.name}:exact`, match.escaped(text)]);
      }
      out.push([`${p.name}:contains`, match.escaped(middle)], [`${p.name}:contains`, match.escaped(v)], [p.name, match.escaped(middle)]);
    }
    out.push([p.name, nobody], [`${p.name}:exact`, nobody], [`${p.name}:contains`, nobody]);
    return out.filter(([name, text]) => match.fold(match.plain(text)) !== '' || name.endsWith(':exact') && text !== '');
  },

  date(_, __, p, values) {
    const texts = distinct(values.flatMap(datesIn)).filter((d) => /^\d{4}/.test(d));
    const out = [];
    spread(texts, p.common ? 1 : 2).forEach((text, i) => {
      const instant = text.includes('T');
      const at = [text, text.slice(0, 10), instant ? text.slice(0, 16) : text.slice(0, 7), [text.slice(0, 7), text.slice(0, 4)][i % 2]];
      for (const value of p.common ? [text] : spread([...new Set(at)], i === 0 ? 3 : 1)) {
        out.push(...prefixes.map((prefix) => [p.name, prefix + value]));
      }
    });
    return [...out, [p.name, '1850-01-01'], [p.name, 'gt2399'], [p.name, 'lt1850']];
  },

  quantity(_, __, p, values) {
    return spread(values.filter((v) => v.value !== undefined), 3).flatMap((v, i) => {
      const number = String(v.value);
      const unit = `|${match.escaped(v.system || '')}|${match.escaped(v.code || v.unit || nobody)}`;
      const near = [number, number + (number.includes('.') ? '0' : '.0'), String(Math.round(v.value)), String(Math.round(v.value) + 1)];
      const out = near.flatMap((n) => [[p.name, n + unit], [p.name, n]]).concat([[p.name, `${number}||${match.escaped(v.code || v.unit || nobody)}`]]);
      out.push([p.name, `${number}||${match.escaped(v.unit || nobody)}`], [p.name, `${number}|urn:other|${nobody}`]);
      return out.concat(prefixes.flatMap((prefix) => [[p.name, prefix + near[i % 2] + unit], [p.name, prefix + near[2]]]));
    });
  },

  // code-value-quantity: pairs that stand together, and pairs that do not.
  composite(corpus, type, p) {
    const parts = p.parts.map(({ part }) => corpus.parameters.get(type).get(part));
    const [codes, quantities] = parts.map((part) => (r) => corpus.values(r, part.expression));
    const pairs = distinct(corpus.all(type).filter((r) => quantities(r).some((q) => q.value !== undefined)).map((r) => [codes(r)[0], quantities(r)[0]]));
    const some = spread(pairs.filter(([c]) => match.tokens(c).length > 0), 4);
    return some.flatMap(([code, quantity], i) => {
      const { system, code: of } = match.tokens(code)[0];
      const other = some[(i + 1) % some.length][1].value;
      const name = `${match.escaped(system)}|${match.escaped(of)}`;
      return [`${name}$${quantity.value}`, `${match.escaped(of)}$${quantity.value}`, `${name}$${other}`]
        .concat(prefixes.map((prefix) => `${name}$${prefix}${quantity.value}`)).map((value) => [p.name, value]);
    });
  },
};

// canonicals: with and without the version.
function canonicals(p, values) {
  const out = spread(values, p.common ? 1 : 2).flatMap((v) => [[p.name, match.escaped(v)], [p.name, match.escaped(v.split('|')[0])], [p.name, match.escaped(v.split('|')[0] + '|0')]]);
  return [...out, [p.name, 'urn:' + nobody]];
}

// datesIn are the dates of a date, Period or Timing.
function datesIn(value) {
  return typeof value === 'string' ? [value]
    : [value.start, value.end, ...(value.event || []), value.repeat?.boundsPeriod?.start, value.repeat?.boundsPeriod?.end].filter(Boolean);
}

// chainsOf follow a reference to a type that it refers to, by some of its parameters and, where one of these is a
// reference again, by a second step.
function chainsOf(corpus, type, p, values) {
  const bare = values.map((v) => match.local(v.reference || '').split('/_history/')[0]);
  const targets = distinct(bare.filter((r) => corpus.byReference.has(r)).map((r) => r.split('/')[0]));
  const here = p.targets.filter((t) => corpus.kept.has(t));
  const out = [];
  for (const target of targets.slice(0, 1)) {
    const head = here.length === 1 ? p.name : `${p.name}:${target}`;
    const referred = bare.find((r) => r.startsWith(target + '/') && corpus.byReference.has(r));
    out.push(...steps(corpus, target, referred).map(([name, value]) => [`${head}.${name}`, value]));
    const next = ['patient', 'subject'].find((name) => corpus.parameters.get(target).has(name) && target !== 'Patient');
    if (next) {
      const again = corpus.parameters.get(target).get(next).targets.filter((t) => corpus.kept.has(t)).length === 1 ? next : `${next}:Patient`;
      const patient = corpus.all('Patient')[corpus.all('Patient').length >> 1];
      out.push(...steps(corpus, 'Patient', `Patient/${patient.id}`).slice(1, 2).map(([name, value]) => [`${head}.${again}.${name}`, value]));
    }
  }
  return out;
}

// steps are criteria of a type: of a resource's own values, one of each kind of parameter.
function steps(corpus, type, referred) {
  const resource = corpus.byReference.get(referred);
  const seen = new Set();
  const out = [['_id', resource.id]];
  for (const p of corpus.parameters.get(type).values()) {
    const values = p.common || p.kind === 'composite' ? [] : corpus.values(resource, p.expression);
    if (values.length === 0 || seen.has(p.kind) || p.canonical) {
      continue;
    }
    const [asked] = byKind[p.kind](corpus, type, p, values);
    if (asked) {
      seen.add(p.kind);
      out.push(asked);
      if (p.kind === 'date') {
        out.push([p.name, 'gt' + asked[1]]);
      }
      if (p.kind === 'token') {
        out.push([`${p.name}:not`, asked[1]], [`${p.name}:missing`, 'true']);
      }
    }
  }
  return out;
}

// together: several criteria must all hold.
function* together(corpus, type, declared) {
  const all = corpus.all(type);
  if (all.length === 0) {
    return;
  }
  const of = (resource, kinds) => declared.filter((p) => kinds.includes(p.kind) && !p.common && !p.canonical)
    .map((p) => ({ p, values: corpus.values(resource, p.expression) })).filter(({ values }) => values.length > 0)
    .map(({ p, values }) => byKind[p.kind](corpus, type, p, values)[0]).filter(Boolean);
  for (const resource of spread(all, 2)) {
    const criteria = of(resource, ['token', 'date', 'reference']);
    for (let i = 0; i + 1 < criteria.length && i < 6; i += 2) {
      yield [criteria[i], criteria[i + 1]];
    }
  }
}

module.exports = { questionsOf };
