/**
 * Codes: which concepts a CodeSystem holds, which codes a ValueSet expands to.
 *
 * Only enumerable ValueSets expand. Those that name a grammar (mime types, currencies, UCUM) or lie outside the
 * definitions don't; they are collected in `notExpanded` and reported, never passed over silently.
 */
export class Terminology {
  #concepts = new Map();
  #expansions = new Map();

  constructor(definitions) {
    this.definitions = definitions;
    this.notExpanded = new Map();
  }

  /** code -> concept of a complete CodeSystem; undefined when the system is unknown or only partly defined. */
  concepts(system) {
    if (!this.#concepts.has(system)) {
      const codeSystem = this.definitions.find('CodeSystem', system);
      const complete = codeSystem && ['complete', 'supplement'].includes(codeSystem.content);
      this.#concepts.set(system, complete ? indexConcepts(codeSystem) : undefined);
    }
    return this.#concepts.get(system);
  }

  /** Set of `system|code`, or undefined (and noted) when the ValueSet can't be enumerated. */
  expand(canonical) {
    if (!this.#expansions.has(canonical)) {
      this.#expansions.set(canonical, undefined); // a cycle ends here
      try {
        this.#expansions.set(canonical, this.#expandValueSet(canonical));
      } catch (error) {
        this.notExpanded.set(canonical, error.message);
      }
    }
    return this.#expansions.get(canonical);
  }

  #expandValueSet(canonical) {
    const valueSet = this.definitions.find('ValueSet', canonical);
    if (!valueSet) throw new Error('not among the definitions');
    const codes = new Set();
    for (const include of valueSet.compose?.include ?? []) this.#select(include).forEach((code) => codes.add(code));
    for (const exclude of valueSet.compose?.exclude ?? []) this.#select(exclude).forEach((code) => codes.delete(code));
    return codes;
  }

  #select(include) {
    const sets = (include.valueSet ?? []).map((canonical) => this.#demand(canonical));
    if (include.system) sets.push(this.#selectFromSystem(include));
    return sets.reduce((left, right) => new Set([...left].filter((code) => right.has(code))));
  }

  #demand(canonical) {
    const codes = this.expand(canonical);
    if (!codes) throw new Error(`includes ${canonical}, which does not expand`);
    return codes;
  }

  #selectFromSystem({ system, concept, filter }) {
    if (concept) return new Set(concept.map(({ code }) => `${system}|${code}`));
    const concepts = this.concepts(system);
    if (!concepts) throw new Error(`no complete code system ${system}`);
    const kept = [...concepts.values()].filter((each) => (filter ?? []).every((rule) => matches(each, rule)));
    return new Set(kept.map(({ code }) => `${system}|${code}`));
  }
}

function indexConcepts(codeSystem) {
  const index = new Map();
  const add = (concepts, ancestors) => {
    for (const concept of concepts ?? []) {
      index.set(concept.code, { ...concept, ancestors });
      add(concept.concept, [...ancestors, concept.code]);
    }
  };
  add(codeSystem.concept, []);
  return index;
}

/** One `compose.include.filter` against one concept (R4 valueset.html#compositions). */
function matches(concept, { property, op, value }) {
  const properties = (concept.property ?? []).filter((each) => each.code === property);
  const values = properties.map((each) => each.valueCode ?? each.valueString ?? String(each.valueBoolean));
  if (op === '=' && property !== 'concept') return values.includes(value);
  if (op === 'in') return value.split(',').some((each) => values.includes(each));
  if (op === 'is-a') return concept.code === value || concept.ancestors.includes(value);
  if (op === 'descendent-of') return concept.ancestors.includes(value);
  throw new Error(`filter '${op}' on '${property}' is not implemented`);
}
