/**
 * Required bindings, checked against the expanded ValueSets (R4 terminologies.html#required).
 */
import { UCUM } from './ucum.mjs';

/** ValueSets that name a grammar instead of listing codes: a check of the form is what can be done here. */
const BY_FORM = {
  'http://hl7.org/fhir/ValueSet/mimetypes': (code) => /^[\w.+-]+\/[\w.+-]+(\s*;.*)?$/.test(code) || ['json', 'xml', 'ttl'].includes(code),
  'http://hl7.org/fhir/ValueSet/currencies': (code) => /^[A-Z]{3}$/.test(code),
};

/**
 * The definitions package binds DetectedIssue.status to R5's value set; R4 binds it to observation-status
 * (R4 detectedissue.html).
 */
const R4_INSTEAD = {
  'http://hl7.org/fhir/ValueSet/detectedissue-status': 'http://hl7.org/fhir/ValueSet/observation-status',
};

export class Bindings {
  constructor(terminology, ucum) {
    this.terminology = terminology;
    this.ucum = ucum;
  }

  /** A sentence when the value is outside the ValueSet, else undefined. */
  problem(value, typeName, canonical) {
    const url = canonical.split('|')[0];
    const valueSet = R4_INSTEAD[url] ?? url;
    const codes = codesOf(value, typeName);
    if (!codes.length || codes.some((each) => this.#allows(valueSet, each))) return undefined;
    return `no code of it is in the required value set ${valueSet}`;
  }

  #allows(valueSet, { system, code }) {
    if (valueSet in BY_FORM) return BY_FORM[valueSet](code);
    if (valueSet === 'http://hl7.org/fhir/ValueSet/ucum-units') {
      return this.ucum.isValid(code) && (system ?? UCUM) === UCUM;
    }
    const expansion = this.terminology.expand(valueSet);
    if (!expansion) return true; // reported once, as a value set that does not expand
    if (system !== undefined) return expansion.has(`${system}|${code}`);
    return this.#bareCodes(valueSet, expansion).has(code);
  }

  #bare = new Map();
  #bareCodes(valueSet, expansion) {
    if (!this.#bare.has(valueSet)) {
      this.#bare.set(valueSet, new Set([...expansion].map((each) => each.slice(each.indexOf('|') + 1))));
    }
    return this.#bare.get(valueSet);
  }
}

/** Codes that a value offers to its binding; a bare code has no system. None where the value holds text alone. */
function codesOf(value, typeName) {
  if (typeof value === 'string') return [{ code: value }];
  if (typeName === 'CodeableConcept') {
    return value.coding?.length ? value.coding.map(({ system = '', code }) => ({ system, code })) : [{ system: '', code: '' }];
  }
  return value?.code === undefined ? [] : [{ system: value.system ?? '', code: value.code }];
}
