/**
 * Judges one line of NDJSON: each resource of it by itself. Returns its problems and the facts for the set checks.
 */
import { parse as parseExactly } from 'lossless-json';
import { Bindings } from './bindings.mjs';
import { Codes } from './codes.mjs';
import { Definitions } from './definitions.mjs';
import { factsOf } from './facts.mjs';
import { byHandKeys, Invariants, SKIPPED } from './invariants.mjs';
import { Medplum } from './medplum.mjs';
import { checkReference } from './references.mjs';
import { checkBundle, checkRules } from './rules.mjs';
import { Schemas } from './schema.mjs';
import { Terminology } from './terminology.mjs';
import { Ucum } from './ucum.mjs';
import { walkResource } from './walk.mjs';

const QUANTITIES = new Set(['Quantity', 'Age', 'Count', 'Distance', 'Duration']);
const NEEDS_NO_ID = ['OperationOutcome', 'Bundle', 'Parameters'];

/** Everything that judging needs, loaded once. */
export class Judge {
  constructor(conformanceFolder) {
    const definitions = new Definitions(conformanceFolder);
    const schemas = new Schemas(definitions);
    const terminology = new Terminology(definitions);
    const ucum = new Ucum();
    this.tools = { definitions, schemas, terminology, invariants: new Invariants(), quantities: QUANTITIES };
    this.tools.bindings = new Bindings(terminology, ucum);
    this.codes = new Codes(definitions, terminology, ucum);
    this.medplum = new Medplum(definitions, schemas);
  }

  /** {problems, facts, resources} of one line; `line` is its number, for the reports. */
  line(text, line) {
    const verdict = { problems: [], facts: [], resources: 0 };
    let resource;
    let exact;
    try {
      resource = JSON.parse(text);
      exact = parseExactly(text); // also refuses a key given twice
    } catch (error) {
      verdict.problems.push(asProblem({ line }, { rule: 'json', message: error.message }));
      return verdict;
    }
    if (typeof resource?.resourceType !== 'string') {
      verdict.problems.push(asProblem({ line }, { rule: 'resource-type', message: 'no resourceType' }));
      return verdict;
    }
    this.#judge(resource, exact, { line, prefix: '', inSet: true }, verdict);
    return verdict;
  }

  #judge(resource, exact, place, verdict) {
    verdict.resources += 1;
    const about = { ...place, id: resource.id, type: resource.resourceType };
    const told = new Set();
    const report = (problem) => {
      const key = `${problem.rule} ${problem.path} ${problem.message}`;
      if (!told.has(key)) verdict.problems.push(asProblem(about, problem));
      told.add(key);
    };
    const found = walkResource(this.tools, resource, report, (inner, path) => {
      this.#judgeInner(resource, exact, inner, path, place, verdict);
    });
    if (resource.resourceType === 'Bundle') for (const each of checkBundle(resource)) report(each);
    this.#checkFound(resource, found, report);
    if (!place.inBundle && resource.id === undefined && !NEEDS_NO_ID.includes(resource.resourceType)) {
      report({ rule: 'missing-id', path: resource.resourceType, message: 'a resource that is served has an id' });
    }
    for (const each of this.medplum.check(resource)) report(each);
    if (place.inSet && resource.resourceType !== 'Bundle') {
      verdict.facts.push(factsOf(resource, exact, about, found.references, this.tools));
    }
  }

  #judgeInner(outer, exactOuter, inner, path, place, verdict) {
    const index = /^Bundle\.entry\[(\d+)\]\.resource$/.exec(path)?.[1];
    const entry = index === undefined ? undefined : outer.entry[index];
    const inside = {
      line: place.line,
      prefix: `${place.prefix}${path} `,
      fullUrl: entry?.fullUrl,
      inBundle: true,
      inSet: place.inSet && entry !== undefined && outer.type !== 'history',
    };
    if (typeof inner.resourceType !== 'string') {
      verdict.problems.push(asProblem(inside, { rule: 'resource-type', path, message: 'no resourceType' }));
    } else {
      this.#judge(inner, entry ? exactOuter.entry[index].resource : inner, inside, verdict);
    }
  }

  #checkFound(resource, found, report) {
    const { resourceType } = resource;
    for (const { value, path } of found.codings) {
      for (const each of this.codes.check(value.system, value.code, value.display, resourceType)) report({ ...each, path });
    }
    for (const { value, path } of found.quantities) {
      for (const each of this.codes.quantity(value, resourceType)) report({ ...each, path });
    }
    for (const { value, path, targets } of found.references) {
      for (const each of checkReference(value, targets, this.tools.schemas)) report({ ...each, path });
    }
    for (const { value, path } of found.extensions) {
      if (value.url?.includes(':') && !this.tools.schemas.profile(value.url)) {
        report({ rule: 'unknown-extension', path, message: `no definition of ${value.url} is known here` });
      }
    }
    for (const each of this.codes.listed(resource)) report(each);
    for (const each of checkRules(resource, found.codings, this.tools.definitions.localSystems)) report(each);
  }

  /** What could not be checked so far, for the summary. */
  get unchecked() {
    return {
      notCompiled: Object.fromEntries(this.tools.invariants.notCompiled),
      notExpanded: Object.fromEntries(this.tools.terminology.notExpanded),
      skipped: SKIPPED,
      byHand: byHandKeys,
    };
  }
}

/** The reported form of a problem. */
export function asProblem({ line, id, type, prefix = '' }, { rule, path = '', message, severity = 'error' }) {
  const where = `${prefix}${path}`;
  return { line, id: id ?? null, resourceType: type ?? null, rule, severity, path: where, message: where ? `${where}: ${message}` : message };
}
