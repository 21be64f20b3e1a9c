// An archive of R4's definitions, as the scripts of conformance/oracles and conformance/clients read it.
const fs = require('fs');
const zlib = require('zlib');

// readArchive gives the JSON files of an npm package (tar.gz) whose name begins with one of some prefixes.
function readArchive(path, prefixes) {
  const tar = zlib.gunzipSync(fs.readFileSync(path));
  const out = [];
  for (let at = 0; at + 512 <= tar.length && tar[at] !== 0;) {
    const field = (from, length) => tar.toString('utf8', at + from, at + from + length).split('\0')[0];
    const name = field(0, 100).split('/').pop();
    const size = parseInt(field(124, 12), 8);
    if (name.endsWith('.json') && prefixes.some((p) => name.startsWith(p))) {
      out.push(JSON.parse(tar.toString('utf8', at + 512, at + 512 + size)));
    }
    at += 512 + Math.ceil(size / 512) * 512;
  }
  return out;
}

module.exports = { readArchive };
