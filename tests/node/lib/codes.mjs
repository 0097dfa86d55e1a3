/**
 * Codes and units on the wire: local codes and displays against the project's CodeSystem, HL7 codes against theirs,
 * other standards against the allow-list, units against UCUM.
 */
import { ALLOWED, CONFORMANCE_TYPES, DISPLAYS } from './allowlist.mjs';
import { UCUM, writesSmallLitre } from './ucum.mjs';

const COMPARATORS = ['>=']; // a lower bound is all that the arithmetic can state

export class Codes {
  constructor(definitions, terminology, ucum) {
    Object.assign(this, { definitions, terminology, ucum });
  }

  /** Yields {rule, message} for one code of one system in a resource of that type. */
  *check(system, code, display, resourceType) {
    if (system === undefined || code === undefined) {
      yield { rule: 'coding', message: 'a coding has a system and a code' };
    } else if (system === UCUM) {
      yield* this.#unit(code);
    } else if (system in ALLOWED) {
      yield* this.#allowed(system, code, display, resourceType);
    } else {
      yield* this.#member(system, code, display, resourceType);
    }
  }

  *#allowed(system, code, display, resourceType) {
    const scope = CONFORMANCE_TYPES.has(resourceType) ? 'conformance' : 'wire';
    if (!ALLOWED[system][scope].includes(code)) {
      yield { rule: 'standard-code', message: `${system}|${code} is not on the list of verified codes` };
    } else if (this.terminology.concepts(system)) {
      yield* this.#member(system, code, display, resourceType);
    } else if (display !== undefined && display !== (DISPLAYS[`${system}|${code}`] ?? display)) {
      yield { rule: 'standard-display', message: `${code}: display '${display}', not as ${system} has it` };
    }
  }

  /** On the wire a local code carries its display; a pattern or a value set may leave it out. */
  *#member(system, code, display, resourceType) {
    const isLocal = this.definitions.localSystems.has(system);
    const isDisplayNeeded = isLocal && !CONFORMANCE_TYPES.has(resourceType);
    const concepts = this.terminology.concepts(system);
    if (!concepts) {
      yield { rule: 'unknown-system', message: `no complete code system ${system} is known here` };
      return;
    }
    const concept = concepts.get(code);
    if (!concept) {
      yield { rule: isLocal ? 'local-code' : 'hl7-code', message: `${system} has no code ${code}` };
    } else if (display === undefined ? isDisplayNeeded : !this.#displays(concept).includes(display)) {
      const said = display === undefined ? 'no display' : `display '${display}'`;
      yield { rule: isLocal ? 'local-display' : 'hl7-display', message: `${code}: ${said}, expected '${concept.display}'` };
    }
  }

  #displays(concept) {
    return [concept.display, ...(concept.designation ?? []).map(({ value }) => value)];
  }

  *#unit(code) {
    if (!this.ucum.isValid(code)) yield { rule: 'ucum', message: `${code} is not a UCUM code` };
    else if (writesSmallLitre(code)) yield { rule: 'ucum-litre', message: `write the litre of ${code} as L` };
  }

  /** Yields {rule, message} for one Quantity. */
  *quantity(quantity, resourceType) {
    const { value, unit, system, code, comparator } = quantity;
    if (value !== undefined && (system === undefined || code === undefined || unit === undefined)) {
      yield { rule: 'quantity-unit', message: 'a quantity has value, unit, system and code' };
    }
    if (value === undefined && !quantity.extension) yield { rule: 'quantity-unit', message: 'a quantity without a value' };
    if (system !== undefined && code !== undefined) yield* this.check(system, code, undefined, resourceType);
    if (comparator !== undefined && !COMPARATORS.includes(comparator)) {
      yield { rule: 'comparator', message: `${comparator} is not among ${COMPARATORS}` };
    }
  }

  /** Yields {rule, path, message} for the codes that ValueSet and ConceptMap hold outside a Coding. */
  *listed(resource) {
    const { resourceType } = resource;
    for (const [path, system, code, display] of listedCodes(resource)) {
      for (const problem of this.check(system, code, display, resourceType)) yield { ...problem, path };
    }
  }
}

function* listedCodes(resource) {
  if (resource.resourceType === 'ValueSet') {
    for (const include of resource.compose?.include ?? []) {
      for (const { code, display } of include.concept ?? []) yield ['ValueSet.compose.include', include.system, code, display];
    }
  }
  if (resource.resourceType === 'ConceptMap') {
    for (const { source, target, element } of resource.group ?? []) {
      for (const { code, display, target: targets } of element ?? []) {
        yield ['ConceptMap.group.element', source, code, display];
        for (const each of targets ?? []) {
          if (each.code !== undefined) yield ['ConceptMap.group.element.target', target, each.code, each.display];
        }
      }
    }
  }
}
