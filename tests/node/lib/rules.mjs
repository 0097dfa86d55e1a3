/**
 * What the project promises of a single resource beyond FHIR: the ledger rule (LOINC 9129-8 stands on interval
 * outputs only), no value without a reason, nothing contained, no clinical judgement.
 */
import { CONFORMANCE_TYPES, FLUID_OUTPUT_CHEST_TUBE, LOINC } from './allowlist.mjs';

const valueOf = (resource) => Object.keys(resource).find((key) => /^value[A-Z]/.test(key));
const ISSUE_STATUSES = ['preliminary', 'final', 'entered-in-error']; // valid in R4 and in R5

/**
 * Elements that the project writes in every resource of a type, beyond what FHIR and its profiles demand: who and what
 * it is about, the key that a replay finds again, the drain. Names are those of the elements, choices with [x].
 */
const PROMISED = {
  Observation: ['identifier', 'category', 'subject.reference', 'focus', 'effective[x]', 'issued'],
  Device: ['identifier', 'type'],
  DeviceMetric: ['identifier', 'source'],
  DeviceUseStatement: ['identifier', 'subject.reference', 'timing[x]'],
  DetectedIssue: ['identifier', 'code', 'patient.reference', 'identified[x]', 'author', 'implicated'],
  Provenance: ['agent', 'entity', 'activity'],
  Patient: ['identifier'],
};

function holds(resource, element) {
  if (element.endsWith('[x]')) {
    const stem = element.slice(0, -3);
    return Object.keys(resource).some((key) => key.startsWith(stem) && /[A-Z]/.test(key[stem.length] ?? ''));
  }
  return element.split('.').reduce((value, name) => value?.[name], resource) !== undefined;
}

function* checkPromised(resource) {
  for (const element of PROMISED[resource.resourceType] ?? []) {
    if (!holds(resource, element)) {
      yield { rule: 'promised-element', path: `${resource.resourceType}.${element}`, message: 'the project always writes it' };
    }
  }
}

/** The local codes of an Observation, such as `interval-output`. */
export function localCodes(resource, localSystems) {
  return (resource.code?.coding ?? []).filter(({ system }) => localSystems.has(system)).map(({ code }) => code);
}

/** Yields {rule, path, message}; `codings` are all codings found in the resource. */
export function* checkRules(resource, codings, localSystems) {
  if (CONFORMANCE_TYPES.has(resource.resourceType)) return;
  if (resource.contained) {
    yield { rule: 'no-contained', path: `${resource.resourceType}.contained`, message: 'nothing is contained here' };
  }
  yield* checkPromised(resource);
  yield* checkLedgerCode(resource, codings, localCodes(resource, localSystems));
  if (resource.resourceType === 'Observation') yield* checkValue(resource);
  if (resource.resourceType === 'DetectedIssue' && !ISSUE_STATUSES.includes(resource.status)) {
    yield { rule: 'issue-status', path: 'DetectedIssue.status', message: `one of ${ISSUE_STATUSES.join(', ')}` };
  }
}

function* checkLedgerCode(resource, codings, local) {
  const isLedger = ({ value }) => value.system === LOINC && value.code === FLUID_OUTPUT_CHEST_TUBE;
  const marked = codings.filter(isLedger);
  const isInterval = local.includes('interval-output');
  for (const { path } of marked) {
    if (!isInterval || !path.startsWith('Observation.code.')) {
      yield { rule: 'ledger-code', path, message: `${FLUID_OUTPUT_CHEST_TUBE} stands on interval outputs only` };
    }
  }
  if (isInterval && !marked.length) {
    yield { rule: 'ledger-code', path: 'Observation.code', message: `an interval output carries ${FLUID_OUTPUT_CHEST_TUBE}` };
  }
  if (isInterval && local.length > 1) {
    yield { rule: 'ledger-code', path: 'Observation.code', message: 'an interval output is nothing else as well' };
  }
}

function* checkValue(observation) {
  const value = valueOf(observation);
  const says = value || observation.dataAbsentReason || observation.component || observation.hasMember;
  if (!says) {
    yield { rule: 'value-or-reason', path: 'Observation', message: 'no value, and no dataAbsentReason' };
  }
  if (value && observation.status === 'entered-in-error') {
    yield { rule: 'entered-in-error-value', path: `Observation.${value}`, message: 'a withdrawn value must not be sent' };
  }
  if (observation.interpretation) {
    yield { rule: 'no-interpretation', path: 'Observation.interpretation', message: 'no clinical judgement is made here' };
  }
}

/** Yields {rule, path, message} for the rules of Bundles that no library checks (R4 http.html#trules). */
export function* checkBundle(bundle) {
  const identities = new Set();
  for (const [index, { fullUrl, request, resource }] of (bundle.entry ?? []).entries()) {
    const path = `Bundle.entry[${index}]`;
    if (/^https?:/.test(fullUrl ?? '') && resource?.id && !fullUrl.endsWith(`/${resource.resourceType}/${resource.id}`)) {
      yield { rule: 'full-url', path, message: 'fullUrl names another resource than the entry holds' };
    }
    if (!request) continue;
    // A history tells of a resource once a version (bdl-7).
    const version = bundle.type === 'history' ? ` ${resource?.meta?.versionId}` : '';
    const identity = `${request.method} ${request.url}${version}`;
    if (request.method !== 'POST' && identities.has(identity)) {
      yield { rule: 'bundle-identity', path, message: 'each identity at most once in a transaction, each version at most once in a history' };
    }
    identities.add(identity);
    if (request.method === 'PUT' && request.url?.includes('?') && resource?.id) {
      yield { rule: 'bundle-conditional-id', path, message: 'a conditional update carries no resource.id' };
    }
    if (request.method === 'PUT' && !request.url?.includes('?') && request.url !== `${resource?.resourceType}/${resource?.id}`) {
      yield { rule: 'bundle-identity', path, message: 'the url of an update is Type/id of its resource' };
    }
  }
}
