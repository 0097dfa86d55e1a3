/**
 * What the checks over a whole set need to know of each resource, and no more: it travels between threads.
 *
 * Numbers are text as they stood in the JSON, so that sums are exact (20.0 is 20, but 0.1 + 0.2 is 0.3).
 */
import { isLosslessNumber } from 'lossless-json';
import { allowedTypes } from './references.mjs';
import { localCodes } from './rules.mjs';

const LEDGER = [
  'interval-output', 'running-total', 'charted-total', 'charted-net', 'output-rate', 'output-rate-per-weight',
  'irrigant-instilled',
];
const CONNECTED_DRAIN = '/StructureDefinition/connected-drain';

const textOf = (number) => (isLosslessNumber(number) ? number.value : undefined);
const instantOf = (text) => (text === undefined ? undefined : Date.parse(text));

/** `exact` is the same resource with its numbers kept as text. */
export function factsOf(resource, exact, place, references, tools) {
  const { resourceType: type, id } = resource;
  return {
    ...place,
    type,
    id,
    version: resource.meta?.versionId,
    identifiers: identifiersOf(resource),
    references: referenceFacts(references, tools.schemas),
    observation: type === 'Observation' ? observationFact(exact, tools.definitions.localSystems) : undefined,
    use: type === 'DeviceUseStatement' ? useFact(resource) : undefined,
  };
}

function identifiersOf({ identifier }) {
  const list = Array.isArray(identifier) ? identifier : [identifier];
  return list.filter((each) => each?.system && each?.value).map(({ system, value }) => `${system}|${value}`);
}

/** One fact a place: the base definition and each profile name the targets that they allow, and all must agree. */
function referenceFacts(references, schemas) {
  const byPath = new Map();
  for (const { value, path, targets } of references) {
    if (typeof value.reference !== 'string') continue;
    const allowed = allowedTypes(targets, schemas);
    const fact = byPath.get(path) ?? { text: value.reference, path, allowed: undefined };
    if (allowed) fact.allowed = fact.allowed?.filter((type) => allowed.has(type)) ?? [...allowed];
    byPath.set(path, fact);
  }
  return [...byPath.values()];
}

function observationFact(exact, localSystems) {
  const kind = localCodes(exact, localSystems).find((code) => LEDGER.includes(code));
  const quantity = exact.valueQuantity;
  return kind && {
    kind,
    status: exact.status,
    drain: exact.focus?.[0]?.reference,
    start: instantOf(exact.effectivePeriod?.start),
    end: instantOf(exact.effectivePeriod?.end),
    at: instantOf(exact.effectiveDateTime),
    value: textOf(quantity?.value),
    comparator: quantity?.comparator,
    unit: quantity?.code,
    derivedFrom: (exact.derivedFrom ?? []).map(({ reference }) => reference),
  };
}

function useFact(resource) {
  const drain = resource.extension?.find(({ url }) => url?.endsWith(CONNECTED_DRAIN))?.valueReference?.reference;
  return drain && {
    drain,
    status: resource.status,
    start: instantOf(resource.timingPeriod?.start) ?? -Infinity,
    end: instantOf(resource.timingPeriod?.end) ?? Infinity,
  };
}
