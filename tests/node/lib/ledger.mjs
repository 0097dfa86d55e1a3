/**
 * Over a whole set: does it add up? Intervals of a drain neither overlap nor leave a gap, totals are the sum of the
 * intervals, rates are their quotient. Computed from the resources alone, in exact decimals.
 */
import { Decimal } from 'decimal.js';

const Exact = Decimal.clone({ precision: 60 });
const HOUR = 3_600_000;
const RATE_HALF_UNIT = '0.05'; // a rate is rounded once, to 0.1 mL/h
const SHORTEST_RATE = HOUR / 2;
const NOT_VALID = ['entered-in-error', 'cancelled'];
const MOST_TIES = 8;

/** Yields {fact, rule, path, message} for the facts of one set. */
export function* checkLedger(facts) {
  const observations = facts.filter(({ observation }) => observation && !NOT_VALID.includes(observation.status));
  const byKey = new Map(observations.flatMap((fact) => keysOf(fact).map((key) => [key, fact])));
  const uses = facts.map(({ use }) => use).filter((use) => use && use.status !== 'entered-in-error');
  for (const [drain, ofDrain] of grouped(observations, ({ observation }) => observation.drain)) {
    if (drain === undefined) {
      for (const fact of ofDrain) yield problem(fact, 'ledger-drain', 'focus', 'does not say which drain');
    } else {
      yield* checkDrain(ofDrain, byKey, uses.filter((use) => use.drain === drain));
    }
  }
}

const keysOf = ({ type, id, fullUrl }) => [id && `${type}/${id}`, fullUrl].filter(Boolean);
const problem = (fact, rule, element, message) => ({ fact, rule, path: `Observation.${element}`, message });
const isBound = ({ value, comparator }) => value === undefined || comparator !== undefined;
const sum = (facts) => facts.reduce((total, { observation }) => total.plus(observation.value ?? 0), new Exact(0));

function grouped(items, keyOf) {
  const groups = new Map();
  for (const item of items) groups.set(keyOf(item), [...(groups.get(keyOf(item)) ?? []), item]);
  return groups;
}

function* checkDrain(facts, byKey, uses) {
  const of = (kind) => facts.filter(({ observation }) => observation.kind === kind);
  const intervals = [];
  for (const fact of of('interval-output')) {
    if (Number.isFinite(fact.observation.end)) intervals.push(fact);
    else yield problem(fact, 'interval-period', 'effectivePeriod', 'an interval output has a period with an end');
  }
  intervals.sort((a, b) => startOf(a) - startOf(b) || a.observation.end - b.observation.end);
  intervals.forEach((fact, place) => {
    fact.since = place ? Math.min(startOf(fact), intervals[place - 1].observation.end) : -Infinity;
  });
  const volumes = ['running-total', 'charted-total', 'charted-net', 'irrigant-instilled'].flatMap(of);
  yield* checkUnits([...intervals, ...volumes]);
  yield* checkContinuity(intervals, uses);
  yield* checkTotals(of('running-total'), intervals, byKey);
  for (const fact of of('charted-total')) yield* checkCharted(fact, byKey, []);
  for (const fact of of('charted-net')) yield* checkCharted(fact, byKey, of('irrigant-instilled'));
  for (const fact of of('output-rate')) yield* checkRate(fact, intervals, true);
  for (const fact of of('output-rate-per-weight')) yield* checkRate(fact, intervals, false);
}

const startOf = ({ observation }) => observation.start ?? observation.end; // a first amount states no start

function* checkUnits(facts) {
  for (const fact of facts) {
    const { value, unit } = fact.observation;
    if (value !== undefined && unit !== 'mL') yield problem(fact, 'ledger-unit', 'valueQuantity', `in ${unit}, not mL`);
  }
}

/**
 * Gaps are allowed before an amount (no derivedFrom: hours without an amount are uncovered, not zero), and where the
 * set's own DeviceUseStatements say that no chamber served the drain in between.
 */
function* checkContinuity(intervals, uses) {
  let reached = -Infinity;
  for (const fact of intervals) {
    const start = startOf(fact);
    if (start < reached) {
      yield problem(fact, 'interval-overlap', 'effectivePeriod', 'starts before the interval before it has ended');
    } else if (start > reached && reached !== -Infinity && !isGapExplained(fact, reached, start, uses)) {
      yield problem(fact, 'interval-gap', 'effectivePeriod', 'nothing says what came out since the interval before it');
    }
    reached = Math.max(reached, fact.observation.end);
  }
}

function isGapExplained(fact, from, to, uses) {
  if (!fact.observation.derivedFrom.length) return true;
  return uses.length > 0 && uses.every((use) => use.end <= from || use.start >= to);
}

/** A running total is the sum of all intervals to its end; at one instant several anchors may follow each other. */
function* checkTotals(totals, intervals, byKey) {
  const ends = [...grouped(intervals, ({ observation }) => observation.end)].sort(([a], [b]) => a - b);
  const before = new Map(); // end -> what stood before it
  let sofar = { value: new Exact(0), bound: false };
  for (const [end, group] of ends) {
    before.set(end, { ...sofar, group });
    sofar = { value: sofar.value.plus(sum(group)), bound: sofar.bound || group.some((each) => isBound(each.observation)) };
  }
  for (const fact of totals) yield* checkTotal(fact, before, byKey);
}

function* checkTotal(fact, before, byKey) {
  const { end, value, comparator, derivedFrom } = fact.observation;
  const last = derivedFrom.map((key) => byKey.get(key)).find((each) => each?.observation.kind === 'interval-output');
  const stood = before.get(end);
  if (!stood || (last && last.observation.end !== end)) {
    yield problem(fact, 'total-derived-from', 'derivedFrom', 'no interval of the set ends where this total does');
    return;
  }
  const candidates = [...selections(stood.group, last)].map((chosen) => ({
    value: stood.value.plus(sum(chosen)),
    bound: stood.bound || chosen.some((each) => isBound(each.observation)),
  }));
  const equal = candidates.filter((each) => value !== undefined && each.value.eq(value));
  if (!equal.length) {
    yield problem(fact, 'total-not-sum', 'valueQuantity', 'not the sum of the interval outputs to its end');
  } else if (!equal.some(({ bound }) => bound === (comparator === '>='))) {
    yield problem(fact, 'total-comparator', 'valueQuantity.comparator', "'>=' exactly where an interval is unknown or at least");
  }
}

/** Which of the intervals that end together a total at that instant may hold: the longest ones come first. */
function* selections(group, last) {
  const lasting = group.filter((each) => startOf(each) < each.observation.end || each === last);
  const instant = group.filter((each) => !lasting.includes(each)).slice(0, MOST_TIES);
  if (last && !group.includes(last)) return;
  for (const more of subsets(instant)) yield [...lasting, ...more];
}

/** A charted total is the sum of the intervals that it names; a charted net, that less the irrigant put in meanwhile. */
function* checkCharted(fact, byKey, irrigants) {
  const { derivedFrom, value, comparator } = fact.observation;
  if (value === undefined) return;
  const parts = derivedFrom.map((key) => byKey.get(key)).filter((each) => each?.observation.kind === 'interval-output');
  const output = sum(parts);
  const candidates = [...irrigantsOf(parts, irrigants)].map((chosen) => output.minus(sum(chosen)));
  if (!candidates.some((each) => each.eq(value))) {
    const message = 'not the sum of the intervals that it is derived from, less irrigant if it is a net';
    yield problem(fact, 'charted-total-not-sum', 'valueQuantity', message);
  }
  if (comparator !== '>=' && parts.some((each) => isBound(each.observation))) {
    yield problem(fact, 'total-comparator', 'valueQuantity.comparator', "'>=' where an interval is unknown or at least");
  }
}

/**
 * Irrigant counts with the interval that ends next after it went in, also where it went in while no amount covered the
 * time; at the very edge the order of events decides, and both ways are taken.
 */
function* irrigantsOf(parts, irrigants) {
  const touching = ({ observation: { at } }, test) => parts.some((part) => test(part.since, at, part.observation.end));
  const starts = (each) => touching(each, (start, at) => start === at);
  const ends = (each) => touching(each, (start, at, end) => end === at);
  const isInside = (each) => touching(each, (start, at, end) => start < at && at < end) || (starts(each) && ends(each));
  const inside = irrigants.filter(isInside);
  const edge = irrigants.filter((each) => !inside.includes(each) && (starts(each) || ends(each))).slice(0, MOST_TIES);
  for (const more of subsets(edge)) yield [...inside, ...more];
}

/** A rate has the period and the bound of its interval; by weight, the weight is not in the set, so no quotient. */
function* checkRate(fact, intervals, isQuotient) {
  const { start, end, value, comparator } = fact.observation;
  const interval = intervals.find(({ observation }) => observation.start === start && observation.end === end);
  if (!interval || interval.observation.value === undefined) {
    if (value !== undefined) yield problem(fact, 'rate-interval', 'effectivePeriod', 'no interval with an output has this period');
    return;
  }
  if (end - start < SHORTEST_RATE) yield problem(fact, 'rate-interval', 'effectivePeriod', 'no rate under 30 minutes');
  if (value === undefined) return;
  // Multiplied out, so that a tie of a third of an hour is judged exactly.
  const span = new Exact(end - start);
  const off = span.times(value).minus(new Exact(interval.observation.value).times(HOUR)).abs();
  if (isQuotient && off.gt(span.times(RATE_HALF_UNIT))) {
    yield problem(fact, 'rate-not-quotient', 'valueQuantity', 'not the output of its interval by its duration');
  }
  if (comparator !== interval.observation.comparator) {
    yield problem(fact, 'rate-comparator', 'valueQuantity.comparator', 'not the bound of its interval');
  }
}

function* subsets(items) {
  for (let mask = 0; mask < 2 ** items.length; mask += 1) yield items.filter((_, bit) => mask & (1 << bit));
}
