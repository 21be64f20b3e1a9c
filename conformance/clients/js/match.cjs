// Whether a value that stands in a resource meets a value that is asked for, by R4 section 3.1.1 (search.html). Written from
// the standard alone; of the bridge it knows what its CapabilityStatement says: the zone of dates without offset.

let clock; // shows the time of the zone
let base = '';
const ranges = new Map(); // by their text, since working one out takes long

function settle(settings) {
  clock = new Intl.DateTimeFormat('en-GB', {
    timeZone: settings.zone, hourCycle: 'h23', year: 'numeric', month: 'numeric', day: 'numeric', hour: 'numeric', minute: 'numeric', second: 'numeric',
  });
  base = settings.base + '/';
}

// ---- dates (search.html#date)

// offsetAt is how far the zone's clock is ahead of UTC at an instant, in milliseconds.
function offsetAt(instant) {
  const parts = Object.fromEntries(clock.formatToParts(instant).map((p) => [p.type, Number(p.value)]));
  return Date.UTC(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second) - Math.floor(instant / 1000) * 1000;
}

// inZone is the instant at which the zone's clock shows a time that is given as if it were UTC.
function inZone(shown) {
  const guess = shown - offsetAt(shown);
  return shown - offsetAt(guess);
}

// range is what a date of any precision covers, from lo up to and without hi.
function range(text) {
  if (!ranges.has(text)) {
    ranges.set(text, readRange(text));
  }
  return ranges.get(text);
}

function readRange(text) {
  const m = /^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/.exec(text);
  if (!m) {
    return null;
  }
  const [year, month, day, hour, minute] = [1, 2, 3, 4, 5].map((i) => Number(m[i]));
  if (m[4] === undefined) {
    const next = m[3] ? [year, month - 1, day + 1] : m[2] ? [year, month, 1] : [year + 1, 0, 1];
    return { lo: inZone(Date.UTC(year, (m[2] ? month : 1) - 1, m[3] ? day : 1)), hi: inZone(Date.UTC(...next)) };
  }
  const width = m[7] ? 1000 / 10 ** (m[7].length - 1) : m[6] ? 1000 : 60000;
  const shown = Date.UTC(year, month - 1, day, hour, minute, Number(m[6] || 0)) + Number('0' + (m[7] || '.0')) * 1000;
  let lo;
  if (m[8] === undefined) {
    lo = inZone(shown);
  } else {
    const [h, min] = m[8] === 'Z' ? [0, 0] : m[8].slice(1).split(':').map(Number);
    lo = shown - (m[8][0] === '-' ? -1 : 1) * (h * 60 + min) * 60000;
  }
  return { lo, hi: lo + width };
}

// rangeOf is what a date, Period or Timing of a resource covers: a Period without an end goes on for ever, and a Timing goes
// by its outer limits.
function rangeOf(value) {
  if (typeof value === 'string') {
    return range(value);
  }
  if (value.event || value.repeat) {
    const events = (value.event || []).map(range);
    return events.length ? { lo: Math.min(...events.map((e) => e.lo)), hi: Math.max(...events.map((e) => e.hi)) }
      : value.repeat?.boundsPeriod ? rangeOf(value.repeat.boundsPeriod) : null;
  }
  if (!value.start && !value.end) {
    return null;
  }
  return { lo: value.start ? range(value.start).lo : -Infinity, hi: value.end ? range(value.end).hi : Infinity };
}

// The sentences of search.html#prefix on ranges.
const overRanges = {
  eq: (asked, held) => asked.lo <= held.lo && held.hi <= asked.hi,
  ne: (asked, held) => !overRanges.eq(asked, held),
  gt: (asked, held) => held.hi > asked.hi,
  lt: (asked, held) => held.lo < asked.lo,
  ge: (asked, held) => overRanges.gt(asked, held) || overRanges.eq(asked, held),
  le: (asked, held) => overRanges.lt(asked, held) || overRanges.eq(asked, held),
  sa: (asked, held) => held.lo >= asked.hi,
  eb: (asked, held) => held.hi <= asked.lo,
  // The measure is the server's to choose: as the CapabilityStatement says, as much to either side as the date covers.
  ap: (asked, held) => held.hi > 2 * asked.lo - asked.hi && held.lo < 2 * asked.hi - asked.lo,
};

function prefixed(text) {
  const m = /^(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.*)$/s.exec(text);
  return { prefix: m[1] || 'eq', rest: m[2] };
}

function date(asked, value) {
  const { prefix, rest } = prefixed(asked);
  const held = rangeOf(value);
  return held !== null && overRanges[prefix](range(rest), held);
}

// ---- quantities (search.html#quantity)

const places = 40n;

// scaled is a decimal as a whole number of units of its 40th place.
function scaled(text) {
  const [, sign, whole, , fraction = '', exponent = '0'] = /^(-?)(\d+)(\.(\d+))?(?:[eE]([+-]?\d+))?$/.exec(text);
  const power = places + BigInt(exponent) - BigInt(fraction.length);
  return BigInt(sign + whole + fraction) * 10n ** power;
}

// halfOfLast is half a unit of the last digit written: 100 stands for [99.5, 100.5) and 100.00 for [99.995, 100.005).
function halfOfLast(text) {
  const fraction = /\.(\d+)$/.exec(text);
  return 5n * 10n ** (places - BigInt(fraction ? fraction[1].length : 0) - 1n);
}

const overNumbers = {
  eq: (n, half, held) => n - half <= held && held < n + half,
  ne: (n, half, held) => !overNumbers.eq(n, half, held),
  gt: (n, _, held) => held > n,
  sa: (n, _, held) => held > n,
  lt: (n, _, held) => held < n,
  eb: (n, _, held) => held < n,
  ge: (n, _, held) => held >= n,
  le: (n, _, held) => held <= n,
  // A tenth of the value either way, as the standard recommends.
  ap: (n, _, held) => 10n * held >= 10n * n - (n < 0n ? -n : n) && 10n * held <= 10n * n + (n < 0n ? -n : n),
};

function quantity(asked, value) {
  const [number, system, code] = split(asked, '|').map(plain);
  if (value.value === undefined) {
    return false;
  }
  if (code && (system ? value.system !== system || value.code !== code : value.code !== code && value.unit !== code)) {
    return false;
  }
  const { prefix, rest } = prefixed(number);
  return overNumbers[prefix](scaled(rest), halfOfLast(rest), scaled(String(value.value)));
}

// ---- tokens (search.html#token)

const contactSystems = ['phone', 'fax', 'email', 'pager', 'url', 'sms', 'other'];

// tokens are the pairs of system and code of a value; implied is the system that a code of its element has without saying so.
function tokens(value, implied) {
  if (typeof value !== 'object') {
    return [{ system: '', implied, code: String(value) }];
  }
  if (value.coding || !('value' in value || 'system' in value || 'code' in value)) {
    return (value.coding || []).flatMap((c) => tokens(c));
  }
  if ('value' in value) { // Identifier, or ContactPoint, whose system is no system of tokens
    return [{ system: contactSystems.includes(value.system) ? '' : value.system || '', code: value.value }];
  }
  return [{ system: value.system || '', code: value.code || '' }];
}

function token(asked, value, implied) {
  const parts = split(asked, '|').map(plain);
  return tokens(value, implied).some((t) => {
    if (parts.length === 1) {
      return t.code === parts[0];
    }
    const [system, code] = parts;
    return (t.system === system || t.implied === system && t.implied !== undefined) && (code === '' || t.code === code);
  });
}

// ---- references and URIs (search.html#reference, #uri, #versions)

const local = (reference) => (reference.startsWith(base) ? reference.slice(base.length) : reference);

// reference: by id, Type/id or URL. Without a version asked for, one that stands there does not matter; one that is asked for
// means the resource, except of a Provenance, which alone refers to versions.
function reference(asked, value, { type, targets, as }) {
  const held = local(value.reference || '#');
  if (held.startsWith('#')) {
    return false;
  }
  const bare = held.split('/_history/')[0];
  let want = local(plain(asked));
  if (type !== 'Provenance') {
    want = want.split('/_history/')[0];
  }
  if (want.includes('/') || want.includes(':')) {
    return held === want || bare === want;
  }
  const [heldType, id] = bare.split('/');
  return id === want && (as ? heldType === as : targets.includes(heldType));
}

// canonical: with a version or, without one, in any (search.html#versions).
const canonical = (asked, value) => value === plain(asked) || value.split('|')[0] === plain(asked);

const uri = (asked, value) => value === plain(asked);

// ---- strings (search.html#string)

// fold: without case, accents, punctuation and repeated blanks; a dash is a blank, so that it parts words.
const fold = (s) => s.normalize('NFKD').replace(/\p{Pd}/gu, ' ').replace(/[\p{Mn}\p{P}]/gu, '').toUpperCase().toLowerCase().trim().replace(/\s+/gu, ' ');

// strings are the texts of a value: those of a name are its parts.
function strings(value) {
  if (typeof value === 'string') {
    return [value];
  }
  return [value.family, ...(value.given || []), ...(value.prefix || []), ...(value.suffix || []), value.text].filter(Boolean);
}

// string: names are found by each of their words too (search.html#string: "family" by the parts of a family name).
function string(asked, value, { modifier, words }) {
  const want = plain(asked);
  return strings(value).some((text) => {
    if (modifier === 'exact') {
      return text === want;
    }
    const held = fold(text);
    if (modifier === 'contains') {
      return held.includes(fold(want));
    }
    return held.startsWith(fold(want)) || words && [...held].some((c, i) => c === ' ' && held.slice(i + 1).startsWith(fold(want)));
  });
}

// ---- lists and escapes (search.html#escaping)

function split(text, separator) {
  const out = [''];
  for (let i = 0; i < text.length; i++) {
    if (text[i] === '\\') {
      out[out.length - 1] += text.slice(i, i + 2);
      i++;
    } else if (text[i] === separator) {
      out.push('');
    } else {
      out[out.length - 1] += text[i];
    }
  }
  return out;
}

const plain = (text) => text.replace(/\\([,|$\\])/g, '$1');
const escaped = (text) => text.replace(/[,|$\\]/g, '\\$&');

module.exports = { settle, split, plain, escaped, date, rangeOf, quantity, token, tokens, reference, local, canonical, uri, string, strings, fold };
