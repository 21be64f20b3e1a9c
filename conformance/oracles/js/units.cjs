// Asks @lhncbc/ucum-lhc about every unit that resources give in UCUM.
//
//   node units.cjs CORE.tgz DEFINITIONS.ndjson DOCUMENTS.ndjson
const units = require('@lhncbc/ucum-lhc').UcumLhcUtils.getInstance();
const { Report } = require('./shared.cjs');

const report = new Report();
const known = new Map();

function walk(at, value, place) {
  if (Array.isArray(value)) {
    value.forEach((v, i) => walk(at, v, `${place}[${i}]`));
  } else if (value !== null && typeof value === 'object') {
    if (value.system === 'http://unitsofmeasure.org' && 'code' in value) {
      report.asked++;
      if (!known.has(value.code)) {
        known.set(value.code, units.validateUnitString(String(value.code)));
      }
      const said = known.get(value.code);
      if (said.status !== 'valid') {
        report.find('error', at.input, at.resource, `${place}.code`, 'UCUM', `${value.code}: ${(said.msg || []).join(' ')}`);
      }
    }
    for (const [key, v] of Object.entries(value)) {
      if (key !== 'resource') { // of an entry: handed out by itself
        walk(at, v, `${place}.${key}`);
      }
    }
  }
}

report.over(process.argv[4], (at) => walk(at, at.resource, at.place));
report.end();
