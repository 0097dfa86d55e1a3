#!/usr/bin/env node
/**
 * Writes the small conformance folder that the harness tests itself with: `node tests/harness/conformance_min/build.mjs`.
 *
 * It is a fixture, not the project's conformance set (that is written by `drainledger conformance`). The snapshots
 * are the official ones of R4 with a few constraints put on top; their prose is left out.
 */
import { writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { readR4, HL7 } from '../../node/lib/definitions.mjs';

const HERE = dirname(fileURLToPath(import.meta.url));
const BASE = 'https://drainledger.example/fhir';
const SYSTEM = `${BASE}/CodeSystem/chest-drain`;
const KEPT = ['id', 'path', 'min', 'max', 'base', 'type', 'constraint', 'binding', 'contentReference', 'definition'];
const CODES = {
  'chest-drain': 'Chest-drain record', 'interval-output': 'Interval output', 'running-total': 'Running total',
  'charted-total': 'Charted total', 'charted-net': 'Charted net', 'irrigant-instilled': 'Irrigant instilled',
  'output-rate-per-weight': 'Output rate by weight', 'output-rate': 'Output rate', 'chamber-level': 'Chamber level',
  'air-leak-grade': 'Air-leak grade', tidaling: 'Tidaling', present: 'Present', 'drain-panel': 'Drain panel',
  'drain-number': 'Drain number', 'drain-catheter': 'Drain catheter', 'collection-unit': 'Collection unit',
  'collection-chamber': 'Collection chamber', 'adapter-software': 'Adapter software',
  'unexplained-fall': 'Unexplained fall', 'site-left-pleural': 'Left pleural space',
};
const snapshots = new Map([...readR4('profiles-resources.json').entry, ...readR4('profiles-types.json').entry]
  .map(({ resource }) => [resource.url, resource]));

function snapshotOf(type) {
  return snapshots.get(`${HL7}${type}`).snapshot.element.map((element) => {
    const kept = Object.fromEntries(KEPT.filter((key) => key in element).map((key) => [key, element[key]]));
    return { ...kept, definition: kept.path };
  });
}

const together = (base, more) => (base || more ? { constraint: [...(base ?? []), ...(more ?? [])] } : {});

/** `changes`: path -> what to put on top; a path that the base lacks is inserted after its parent. */
function profile(type, id, changes, more) {
  const elements = snapshotOf(type);
  const differential = Object.entries(changes).map(([path, change]) => ({ id: path, path, ...change }));
  for (const { id: path, ...change } of differential) {
    const at = elements.findIndex((element) => element.path === path);
    const parent = elements.findIndex((element) => element.path === path.slice(0, path.lastIndexOf('.')));
    if (at < 0) elements.splice(parent + 1, 0, { id: path, definition: path, base: { path, min: 0, max: '1' }, ...change });
    else elements[at] = { ...elements[at], ...change, ...together(elements[at].constraint, change.constraint) };
  }
  return {
    resourceType: 'StructureDefinition', id, url: `${BASE}/StructureDefinition/${id}`, name: id.replace(/(^|-)(.)/g, (_, __, letter) => letter.toUpperCase()),
    status: 'active', fhirVersion: '4.0.1', abstract: false, type, baseDefinition: `${HL7}${type}`, derivation: 'constraint',
    ...more, snapshot: { element: elements }, differential: { element: differential },
  };
}

const coding = (system, code) => ({ system, code });
const interval = profile('Observation', 'drain-interval-output', {
  Observation: {
    constraint: [{
      key: 'dl-io-4', severity: 'error', human: 'A withdrawn interval has no value',
      expression: "status = 'entered-in-error' implies value.empty()",
    }],
  },
  'Observation.code': { patternCodeableConcept: { coding: [coding(SYSTEM, 'interval-output'), coding('http://loinc.org', '9129-8')] } },
  'Observation.focus': { min: 1, max: '1', type: [{ code: 'Reference', targetProfile: [`${HL7}Device`] }] },
  'Observation.effective[x]': { min: 1, type: [{ code: 'Period' }] },
  'Observation.effective[x].end': { min: 1, max: '1', type: [{ code: 'dateTime' }] },
  'Observation.value[x]': { type: [{ code: 'Quantity' }] },
  'Observation.value[x].comparator': { min: 0, max: '1', type: [{ code: 'code' }], fixedCode: '>=' },
  'Observation.bodySite': { binding: { strength: 'required', valueSet: `${BASE}/ValueSet/drain-site` } },
  'Observation.interpretation': { max: '0' },
}, { kind: 'resource' });

const connectedDrain = profile('Extension', 'connected-drain', {
  'Extension.extension': { max: '0' },
  'Extension.url': { fixedUri: `${BASE}/StructureDefinition/connected-drain` },
  'Extension.value[x]': { min: 1, type: [{ code: 'Reference', targetProfile: [`${HL7}Device`] }] },
}, { kind: 'complex-type', context: [{ type: 'element', expression: 'DeviceUseStatement' }] });

const codeSystem = {
  resourceType: 'CodeSystem', id: 'chest-drain', url: SYSTEM, name: 'ChestDrain', status: 'active', content: 'complete',
  concept: Object.entries(CODES).map(([code, display]) => ({ code, display })),
};
const drainSite = {
  resourceType: 'ValueSet', id: 'drain-site', url: `${BASE}/ValueSet/drain-site`, name: 'DrainSite', status: 'active',
  compose: { include: [{ system: SYSTEM, concept: [{ code: 'site-left-pleural', display: CODES['site-left-pleural'] }] }] },
};

for (const resource of [interval, connectedDrain, codeSystem, drainSite]) {
  writeFileSync(join(HERE, `${resource.resourceType}-${resource.id}.json`), `${JSON.stringify(resource)}\n`);
}
