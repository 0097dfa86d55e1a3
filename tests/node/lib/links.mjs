/**
 * Over a whole set: no identity twice, no reference into nothing, no reference that leads to a wrong type.
 */
import { parseReference } from './references.mjs';

/** Yields {fact, rule, path, message}. `external`: references that lie outside the set, as `Type/id` or `Type/*`. */
export function* checkLinks(facts, external) {
  const index = new Map();
  const identifiers = new Map();
  for (const fact of facts) {
    yield* enter(index, fact, [fact.id && `${fact.type}/${fact.id}`, fact.fullUrl], 'duplicate-id', 'this id is there already');
    yield* enter(identifiers, fact, fact.identifiers.map((each) => `${fact.type}?${each}`), 'duplicate-identifier',
      'another resource of this type has the same identifier');
  }
  for (const fact of facts) {
    for (const reference of fact.references) yield* follow(fact, reference, index, identifiers, external);
  }
}

function* enter(index, fact, keys, rule, message) {
  const taken = keys.filter((key) => key && index.has(key) && index.get(key) !== fact);
  if (taken.length) yield { fact, rule, path: fact.type, message };
  keys.filter(Boolean).forEach((key) => index.has(key) || index.set(key, fact));
}

function* follow(fact, { text, path, allowed }, index, identifiers, external) {
  const parsed = parseReference(text);
  if (['contained', 'malformed'].includes(parsed.form)) return; // ref-1 and `reference` see to those
  const target = index.get(text) ?? index.get(`${parsed.type}/${parsed.id}`) ?? identified(parsed, identifiers);
  if (!target) {
    if (external.has(text) || external.has(`${parsed.type}/*`)) return;
    yield { fact, rule: 'dangling-reference', path, message: `${text} is not in the set` };
  } else if (allowed && !allowed.includes(target.type)) {
    yield { fact, rule: 'reference-type', path, message: `leads to a ${target.type}, which is not allowed here` };
  }
}

function identified({ form, type, query }, identifiers) {
  if (form !== 'conditional') return undefined;
  const value = new URLSearchParams(query).get('identifier');
  return value === null ? undefined : identifiers.get(`${type}?${value}`);
}
