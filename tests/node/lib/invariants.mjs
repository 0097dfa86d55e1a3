/**
 * The invariants of StructureDefinitions, evaluated with the npm package fhirpath (its R4 model).
 *
 * Each expression is compiled once. Answers for elements that see nothing but themselves are remembered by content,
 * since codings, quantities and extensions repeat by the thousand.
 */
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4/index.js';

/** Not evaluated, and why. */
export const SKIPPED = {
  'dom-6': 'a best practice of narrative text (R4 narrative.html); the project leaves `text` out by design',
};

/** Expressions whose regular expression the engine refuses (escapes not allowed under the u flag), as plain code. */
const BY_HAND = {
  'eld-16': (element) => element.sliceName === undefined || /^[a-zA-Z0-9/\-_[\]@]+$/.test(element.sliceName),
  'eld-19': (element) => /^[^\s.,:;'"/|?!@#$%&*()[\]{}]{1,64}(\.[^\s.,:;'"/|?!@#$%&*()[\]{}]{1,64}(\[x\])?(:[^\s.]+)?)*$/
    .test(element.path),
  'eld-20': (element) => /^[A-Za-z][A-Za-z0-9]*(\.[a-z][A-Za-z0-9]*(\[x\])?)*$/.test(element.path),
};

/**
 * Two expressions of R4 that later releases mended, read here as R5 words them: ref-1 comes out empty, not true, for
 * a reference that is only an identifier; dom-3 asks `as()`, which takes a single item, of a whole list.
 */
const REWORDED = {
  'ref-1': (expression) => `reference.empty() or (${expression})`,
  'dom-3': (expression) => expression.replaceAll('descendants().as(', 'descendants().ofType('),
};

const OPTIONS = { traceFn: () => {} };
const REMEMBERED = 50_000;
const looksOutside = (expression) => /%(resource|rootResource)|resolve\(/.test(expression);

/** An invariant compiled for one place; `holds` is true or false, or throws when the engine can't evaluate it. */
class Invariant {
  constructor(constraint, base) {
    this.key = constraint.key;
    this.severity = constraint.severity;
    this.human = constraint.human;
    this.byHand = BY_HAND[constraint.key];
    this.local = !looksOutside(constraint.expression);
    this.answers = new Map();
    const expression = REWORDED[this.key]?.(constraint.expression) ?? constraint.expression;
    this.evaluate = this.byHand ? undefined : fhirpath.compile({ base, expression }, r4, OPTIONS);
  }

  holds(element, resource, text) {
    if (this.byHand) return this.byHand(element);
    if (!this.local || text === undefined) return this.#ask(element, resource);
    let answer = this.answers.get(text);
    if (answer === undefined) {
      if (this.answers.size >= REMEMBERED) this.answers.clear();
      answer = this.#ask(element, resource);
      this.answers.set(text, answer);
    }
    return answer;
  }

  #ask(element, resource) {
    const result = this.evaluate(element, { resource, rootResource: resource });
    return result.length === 1 && result[0] === true;
  }
}

/** All invariants by (key, expression, place). */
export class Invariants {
  #compiled = new Map();

  constructor() {
    this.notCompiled = new Map();
  }

  /** Compiled invariants of an element's constraints; what does not compile goes to `notCompiled`. */
  of(constraints, base) {
    return constraints.filter(({ key }) => !(key in SKIPPED)).map((each) => this.#one(each, base)).filter(Boolean);
  }

  #one(constraint, base) {
    const name = `${constraint.key} ${base} ${constraint.expression}`;
    if (!this.#compiled.has(name)) this.#compiled.set(name, this.#compile(constraint, base));
    return this.#compiled.get(name);
  }

  #compile(constraint, base) {
    try {
      refuseBadPatterns(constraint);
      return new Invariant(constraint, base);
    } catch (error) {
      this.notCompiled.set(`${constraint.key} ${base}`, error.message);
      return undefined;
    }
  }
}

/** The engine builds regular expressions only when it evaluates; build them here, so that compiling tells. */
function refuseBadPatterns({ key, expression }) {
  if (key in BY_HAND) return;
  for (const [, literal] of expression.matchAll(/\.matches\('((?:[^'\\]|\\.)*)'\)/g)) {
    new RegExp(literal.replace(/\\(.)/g, '$1'), 'su');
  }
}

/** Keys that are evaluated by plain code because the engine can't. */
export const byHandKeys = Object.keys(BY_HAND);
