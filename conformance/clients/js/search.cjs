// Asks a set of resources what a hub should find among them. The argument is a JSON file: {base, zone, archive, own, statement,
// resources}. Out come lines {"type", "query", "ids"}, one for each question.
const fs = require('fs');
const { Corpus } = require('./corpus.cjs');
const { questionsOf } = require('./questions.cjs');

const input = JSON.parse(fs.readFileSync(process.argv[2], 'utf8'));
const corpus = new Corpus(input);
corpus.base = input.base;
const encode = (text) => encodeURIComponent(text).replace(/%2F/g, '/').replace(/%3A/g, ':').replace(/%2C/g, ',');
for (const type of corpus.parameters.keys()) {
  const asked = new Set();
  for (const criteria of questionsOf(corpus, type)) {
    const query = criteria.map(([name, value]) => `${encode(name)}=${encode(value)}`).join('&');
    if (!asked.has(query)) {
      asked.add(query);
      fs.writeSync(1, JSON.stringify({ type, query, ids: corpus.search(type, criteria) }) + '\n');
    }
  }
}
