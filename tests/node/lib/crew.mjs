/**
 * Judges many lines on two threads: this one and, for a long input, one helper that is kept for the next.
 */
import { once } from 'node:events';
import { isMainThread, parentPort, Worker, workerData } from 'node:worker_threads';
import { Judge } from './judge.mjs';

const WORTH_A_THREAD = 600; // lines; below, loading the definitions again costs more than it saves

/** Judges lines that start at number `first`; {problems, facts, resources, unchecked}. */
function judgeAll(judge, lines, first) {
  const all = { problems: [], facts: [], resources: 0 };
  lines.forEach((text, index) => {
    if (!text.trim()) return;
    const verdict = judge.line(text, first + index);
    all.resources += verdict.resources;
    for (const problem of verdict.problems) all.problems.push(problem);
    for (const fact of verdict.facts) all.facts.push(fact);
  });
  return { ...all, unchecked: judge.unchecked };
}

export class Crew {
  #helper;

  constructor(conformance) {
    this.conformance = conformance;
    this.judge = new Judge(conformance);
  }

  async judgeLines(lines) {
    if (lines.length < WORTH_A_THREAD) return judgeAll(this.judge, lines, 1);
    const half = Math.ceil(lines.length / 2);
    this.#helper ??= new Worker(new URL(import.meta.url), { workerData: { conformance: this.conformance } });
    this.#helper.postMessage({ lines: lines.slice(half), first: half + 1 });
    const theirs = once(this.#helper, 'message');
    const [mine, [other]] = [judgeAll(this.judge, lines.slice(0, half), 1), await theirs];
    return merge(mine, other);
  }

  async dismiss() {
    await this.#helper?.terminate();
  }
}

function merge(mine, other) {
  return {
    problems: mine.problems.concat(other.problems),
    facts: mine.facts.concat(other.facts),
    resources: mine.resources + other.resources,
    unchecked: {
      ...mine.unchecked,
      notCompiled: { ...mine.unchecked.notCompiled, ...other.unchecked.notCompiled },
      notExpanded: { ...mine.unchecked.notExpanded, ...other.unchecked.notExpanded },
    },
  };
}

if (!isMainThread && workerData && 'conformance' in workerData) {
  const judge = new Judge(workerData.conformance);
  parentPort.on('message', ({ lines, first }) => parentPort.postMessage(judgeAll(judge, lines, first)));
}
