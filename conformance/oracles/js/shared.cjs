// What the references in JavaScript share: the official archive, documents, and the lines in which they report.
const fs = require('fs');
const { readArchive } = require('./archive.cjs'); // laid beside this by conformance/oracles/npm

console.log = console.error; // libraries that talk leave the report alone

const readLines = (path) => fs.readFileSync(path, 'utf8').split('\n').filter((line) => line.trim() !== '');

// snapshots gives the official snapshots by type, profiles of R4 left out.
function snapshots(archive) {
  const types = new Map();
  for (const definition of readArchive(archive, ['StructureDefinition-'])) {
    if (definition.derivation !== 'constraint') {
      types.set(definition.type, definition);
    }
  }
  return types;
}

// resourcesOf gives a resource and those in the entries of a Bundle, at any depth, with where they stand.
function* resourcesOf(resource, place) {
  yield { resource, place };
  if (resource.resourceType === 'Bundle' && Array.isArray(resource.entry)) {
    for (const [i, entry] of resource.entry.entries()) {
      if (entry && isObject(entry.resource)) {
        yield* resourcesOf(entry.resource, `${place}.entry[${i}].resource`);
      }
    }
  }
}

const isObject = (v) => v !== null && typeof v === 'object' && !Array.isArray(v);

const clean = (text) => String(text).replace(/\s+/g, ' ').trim();

// Report writes what is found as the Java program does: a finding a line, and the counts at the end.
class Report {
  constructor() {
    this.lines = [];
    this.counts = { inputs: 0, resources: 0, errors: 0, warnings: 0 };
    this.types = {};
    this.asked = 0; // questions that were put
  }

  find(level, input, resource, place, id, text) {
    this.lines.push(['finding', level, input, `${resource.resourceType || ''}/${resource.id || ''}`, place, id, text].map(clean).join('\t'));
    if (level === 'error' || level === 'fatal') {
      this.counts.errors++;
    } else if (level === 'warning') {
      this.counts.warnings++;
    }
  }

  // over hands out every resource of the documents; what is no JSON object is told.
  over(path, each) {
    for (const [i, line] of readLines(path).entries()) {
      const input = `documents.ndjson:${i + 1}`;
      this.counts.inputs++;
      let document;
      try {
        document = JSON.parse(line);
      } catch (e) {
        this.find('fatal', input, {}, '', 'JSON', e.message);
        continue;
      }
      if (!isObject(document) || typeof document.resourceType !== 'string') {
        this.find('fatal', input, {}, '', 'JSON', 'no resource');
        continue;
      }
      for (const { resource, place } of resourcesOf(document, document.resourceType)) {
        this.counts.resources++;
        this.types[resource.resourceType] = (this.types[resource.resourceType] || 0) + 1;
        try {
          each({ input, resource, place, document });
        } catch (e) {
          this.find('fatal', input, resource, place, 'EXCEPTION', e.stack || e);
        }
      }
    }
  }

  end() {
    const counts = Object.entries(this.counts).map(([name, n]) => `${name}=${n}`).join('\t');
    const types = Object.entries(this.types).sort().map(([name, n]) => `${name}:${n}`).join(',');
    this.lines.push(`asked\t${this.asked}`, `total\t${counts}\tfiltered=0\tunused=0\ttypes=${types}`);
    process.stdout.write(this.lines.join('\n') + '\n');
  }
}

module.exports = { Report, snapshots, readLines, isObject };
