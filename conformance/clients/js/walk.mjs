// Walks hubs with fhir-kit-client. The arguments are their base URLs; out comes one JSON object a line of what was met, or of
// what the client threw.
import { CapabilityTool, Client } from 'fhir-kit-client';

const nameOf = (resource) => `${resource.resourceType}/${resource.id}`;
const names = (entries, mode) => entries.filter((e) => !mode || e.search.mode === mode).map((e) => nameOf(e.resource)).sort();

async function walk(baseUrl) {
  const client = new Client({ baseUrl });

  // odd is what of an answer is not as R4's http.html has it: its media type, what it holds, and of a read its ETag.
  const odd = new Set();
  const is = async (asked, kind, wanted) => {
    const answer = await asked;
    const { response } = Client.httpFor(answer);
    if (!/^application\/fhir\+json\b/.test(response.headers.get('content-type'))) {
      odd.add(`${kind}: media type ${response.headers.get('content-type')}`);
    }
    const given = answer.resourceType === 'Bundle' ? `Bundle ${answer.type}` : answer.resourceType;
    if (given !== wanted) {
      odd.add(`${kind}: ${given} where ${wanted} belongs`);
    }
    return answer;
  };
  const isRead = async (asked, kind, name, version) => {
    const answer = await is(asked, kind, name.split('/')[0]);
    if (nameOf(answer) !== name || (version && answer.meta.versionId !== version)) {
      odd.add(`${kind}: another resource or version than asked for`);
    }
    const { response } = Client.httpFor(answer);
    if (response.headers.get('etag') !== `W/"${answer.meta?.versionId}"`) {
      odd.add(`${kind}: ETag ${response.headers.get('etag')}`);
    }
    return answer;
  };
  const search = (of) => is(client.search(of), 'search', 'Bundle searchset');
  const history = (of) => is(client.history(of), 'history', 'Bundle history');

  // everyPage gives the entries of a Bundle and of those that follow it.
  async function everyPage(first) {
    const entries = [];
    let pages = 0;
    for (let bundle = await first; bundle;) {
      pages++;
      entries.push(...(bundle.entry || []));
      const next = client.nextPage({ bundle });
      bundle = next && await is(next, 'page', `Bundle ${bundle.type}`);
    }
    return { pages, entries };
  }

  const capability = await is(client.capabilityStatement(), 'capabilities', 'CapabilityStatement');
  const can = new CapabilityTool(capability);
  const met = { fhirVersion: capability.fhirVersion, can: {}, search: {}, pages: {}, history: {} };
  const types = capability.rest[0].resource.map((r) => r.type);
  for (const type of types) {
    met.can[type] = can.resourceCan(type, 'search-type') && can.resourceCan(type, 'read') && can.resourceSearch(type, '_lastUpdated');
    const { pages, entries } = await everyPage(search({ resourceType: type, searchParams: { _count: 37 } }));
    met.search[type] = names(entries, 'match');
    met.pages[type] = pages;
    if (can.resourceCan(type, 'history-type')) {
      met.history[type] = (await everyPage(history({ resourceType: type }))).entries.length;
    }
  }

  // Back from the second page to the first.
  const first = await search({ resourceType: 'Observation', searchParams: { _count: 10, _sort: '-date' } });
  const second = await client.nextPage({ bundle: first });
  const back = await client.prevPage({ bundle: second });
  met.back = JSON.stringify(names(back.entry)) === JSON.stringify(names(first.entry)) && JSON.stringify(names(second.entry)) !== JSON.stringify(names(first.entry));

  const plans = await everyPage(search({
    resourceType: 'CarePlan',
    searchParams: { _count: 5, _include: ['CarePlan:patient', 'CarePlan:encounter', 'CarePlan:goal'], _revinclude: 'Provenance:target' },
  }));
  met.plans = names(plans.entries, 'match');
  met.beside = [...new Set(names(plans.entries, 'include'))];

  const patient = plans.entries.find((e) => e.search.mode === 'match').resource.subject.reference;
  const posted = await search({ resourceType: 'CarePlan', searchParams: { patient }, options: { postSearch: true } });
  const within = await search({ resourceType: 'CarePlan', compartment: { resourceType: 'Patient', id: patient.split('/')[1] } });
  met.patient = patient;
  met.posted = names(posted.entry);
  met.within = names(within.entry);
  met.resolved = (await isRead(client.resolve({ reference: patient }), 'resolve', patient)).id;

  const [, id] = met.plans[0].split('/');
  const read = await isRead(client.read({ resourceType: 'CarePlan', id }), 'read', met.plans[0]);
  const versions = await everyPage(history({ resourceType: 'CarePlan', id }));
  met.versions = versions.entries.map((e) => e.resource.meta.versionId);
  met.current = read.meta.versionId;
  met.vread = [];
  for (const version of met.versions) {
    met.vread.push((await isRead(client.vread({ resourceType: 'CarePlan', id, version }), 'vread', met.plans[0], version)).meta.versionId);
  }
  met.system = (await everyPage(history())).entries.length;
  met.refused = await client.search({ resourceType: 'CarePlan', searchParams: { pateint: patient } }).then(() => 0, (e) => e.response.status);

  met.odd = [...odd].sort();
  return met;
}

for (const base of process.argv.slice(2)) {
  const met = await walk(base).catch((e) => ({ thrown: `${e.message} ${e.response?.status || ''}` }));
  process.stdout.write(JSON.stringify(met) + '\n');
}
