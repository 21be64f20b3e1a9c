// Walks a hub with fhir-kit-client. The argument is the base URL; out comes one JSON object of what was met.
import { CapabilityTool, Client } from 'fhir-kit-client';

const client = new Client({ baseUrl: process.argv[2] });

// everyPage gives the entries of a Bundle and of those that follow it.
async function everyPage(first) {
  const entries = [];
  let pages = 0;
  for (let bundle = await first; bundle; bundle = await client.nextPage({ bundle })) {
    pages++;
    entries.push(...(bundle.entry || []));
  }
  return { pages, entries };
}

const names = (entries, mode) => entries.filter((e) => !mode || e.search.mode === mode).map((e) => `${e.resource.resourceType}/${e.resource.id}`).sort();

const capability = await client.capabilityStatement();
const can = new CapabilityTool(capability);
const met = { fhirVersion: capability.fhirVersion, can: {}, search: {}, pages: {}, history: {} };
const types = capability.rest[0].resource.map((r) => r.type);
for (const type of types) {
  met.can[type] = can.resourceCan(type, 'search-type') && can.resourceCan(type, 'read') && can.resourceSearch(type, '_lastUpdated');
  const { pages, entries } = await everyPage(client.search({ resourceType: type, searchParams: { _count: 37 } }));
  met.search[type] = names(entries, 'match');
  met.pages[type] = pages;
  if (can.resourceCan(type, 'history-type')) {
    met.history[type] = (await everyPage(client.history({ resourceType: type }))).entries.length;
  }
}

// Back from the second page to the first.
const first = await client.search({ resourceType: 'Observation', searchParams: { _count: 10, _sort: '-date' } });
const second = await client.nextPage({ bundle: first });
const back = await client.prevPage({ bundle: second });
met.back = JSON.stringify(names(back.entry)) === JSON.stringify(names(first.entry)) && JSON.stringify(names(second.entry)) !== JSON.stringify(names(first.entry));

const plans = await everyPage(client.search({
  resourceType: 'CarePlan',
  searchParams: { _count: 5, _include: ['CarePlan:patient', 'CarePlan:encounter', 'CarePlan:goal'], _revinclude: 'Provenance:target' },
}));
met.plans = names(plans.entries, 'match');
met.beside = [...new Set(names(plans.entries, 'include'))];

const patient = plans.entries.find((e) => e.search.mode === 'match').resource.subject.reference;
const posted = await client.search({ resourceType: 'CarePlan', searchParams: { patient }, options: { postSearch: true } });
const within = await client.search({ resourceType: 'CarePlan', compartment: { resourceType: 'Patient', id: patient.split('/')[1] } });
met.patient = patient;
met.posted = names(posted.entry);
met.within = names(within.entry);
met.resolved = (await client.resolve({ reference: patient })).id;

const [, id] = met.plans[0].split('/');
const read = await client.read({ resourceType: 'CarePlan', id });
const versions = await everyPage(client.history({ resourceType: 'CarePlan', id }));
met.versions = versions.entries.map((e) => e.resource.meta.versionId);
met.current = read.meta.versionId;
met.vread = [];
for (const version of met.versions) {
  met.vread.push((await client.vread({ resourceType: 'CarePlan', id, version })).meta.versionId);
}
met.system = (await everyPage(client.history())).entries.length;
met.refused = await client.search({ resourceType: 'CarePlan', searchParams: { pateint: patient } }).then(() => 0, (e) => e.response.status);

process.stdout.write(JSON.stringify(met) + '\n');
