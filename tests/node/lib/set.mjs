/** The checks over a whole set of facts, told as problems. */
import { asProblem } from './judge.mjs';
import { checkLedger } from './ledger.mjs';
import { checkLinks } from './links.mjs';

/** `latest`: of several facts with one identity only the last counts, as when messages are delivered in turn. */
export function checkSet(facts, { external = [], latest = false } = {}) {
  const kept = latest ? lastOfEach(facts) : facts;
  const problems = [...checkLinks(kept, new Set(external)), ...checkLedger(kept)];
  return problems.map(({ fact, ...problem }) => asProblem(fact, problem));
}

function lastOfEach(facts) {
  const byIdentity = new Map();
  for (const fact of facts) {
    const identity = fact.id ? `${fact.type}/${fact.id}` : (fact.identifiers[0] ?? fact.fullUrl);
    byIdentity.set(`${fact.type} ${identity}`, fact);
  }
  return [...byIdentity.values()];
}
