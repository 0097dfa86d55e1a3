#!/usr/bin/env node
/**
 * Validates FHIR R4 resources with libraries that nobody in this project wrote, and with the checks that those lack.
 *
 *   node validate.mjs --conformance DIR [--external Type/id,Type/*] [--latest] [--no-set] [FILE...]
 *   node validate.mjs --conformance DIR --serve
 *   node validate.mjs --conformance DIR --list-invariants
 *
 * FILE is NDJSON, or one JSON resource (*.json); standard input, as NDJSON, without one. Prints one JSON object a
 * problem: {line, id, resourceType, rule, severity, path, message}; then one: {resources, problems, ...what could not
 * be checked}. Exit 0 without problems, 1 with, 2 for wrong usage.
 *
 * --serve reads one request a line, {"lines": [text, ...], "external": [...], "latest": bool, "set": bool}, and
 * answers each as above: loading the definitions is then paid once.
 */
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { parseArgs } from 'node:util';
import { Crew } from './lib/crew.mjs';
import { Invariants } from './lib/invariants.mjs';
import { asProblem } from './lib/judge.mjs';
import { checkSet } from './lib/set.mjs';

const OPTIONS = {
  conformance: { type: 'string' },
  external: { type: 'string', default: '' },
  latest: { type: 'boolean', default: false },
  'no-set': { type: 'boolean', default: false },
  serve: { type: 'boolean', default: false },
  'list-invariants': { type: 'boolean', default: false },
};

function linesOf(file) {
  const text = readFileSync(file ?? 0, 'utf8');
  return file?.endsWith('.json') ? [text] : text.split('\n');
}

/** Judges lines and prints; returns the number of problems. */
async function validate(crew, lines, { external, latest, set }) {
  const { problems, facts, resources, unchecked } = await crew.judgeLines(lines);
  if (set) problems.push(...checkSet(facts, { external, latest }));
  problems.push(...leftOut(resources, unchecked));
  const summary = { resources, problems: problems.length, ...unchecked };
  process.stdout.write([...problems, summary].map((each) => `${JSON.stringify(each)}\n`).join(''));
  return problems.length;
}

/** What was not checked is a problem too: a validation that leaves something out must not read as passed. */
function leftOut(resources, { notCompiled, notExpanded }) {
  const problems = [];
  if (resources === 0) problems.push({ rule: 'nothing-to-check', message: 'the input holds no resource' });
  for (const [place, reason] of Object.entries(notCompiled)) {
    problems.push({ rule: 'not-compiled', message: `invariant ${place}: ${reason}` });
  }
  for (const [valueSet, reason] of Object.entries(notExpanded)) {
    problems.push({ rule: 'not-expanded', message: `value set ${valueSet}: ${reason}` });
  }
  return problems.map((each) => asProblem({ line: 0 }, each));
}

async function serve(crew) {
  for await (const line of createInterface({ input: process.stdin })) {
    const { lines, external = [], latest = false, set = true } = JSON.parse(line);
    await validate(crew, lines, { external, latest, set });
  }
}

/** Every invariant of every official and local definition: does it compile? */
function listInvariants(judge) {
  const { definitions } = judge.tools;
  const invariants = new Invariants();
  const structures = [...definitions.official.values(), ...definitions.localResources]
    .filter(({ resourceType, snapshot }) => resourceType === 'StructureDefinition' && snapshot);
  let number = 0;
  for (const element of structures.flatMap(({ snapshot }) => snapshot.element)) {
    const constraints = (element.constraint ?? []).filter(({ expression }) => expression);
    number += invariants.of(constraints, element.path.replace('[x]', '')).length;
  }
  for (const [place, reason] of invariants.notCompiled) process.stdout.write(`does not compile: ${place}: ${reason}\n`);
  const { skipped, byHand } = judge.unchecked;
  for (const [key, reason] of Object.entries(skipped)) process.stdout.write(`not evaluated: ${key}: ${reason}\n`);
  process.stdout.write(`by plain code, since the engine refuses their regular expression: ${byHand.join(', ')}\n`);
  process.stdout.write(`${number} constraints on elements compile, ${invariants.notCompiled.size} do not\n`);
}

function usage(message) {
  process.stderr.write(`${message}\nusage: validate.mjs [--conformance DIR] [--external LIST] [--latest] [--no-set] [FILE...]\n`);
  process.exit(2);
}

function readArguments() {
  try {
    return parseArgs({ options: OPTIONS, allowPositionals: true });
  } catch (error) {
    return usage(error.message);
  }
}

async function main() {
  const { values, positionals } = readArguments();
  let crew;
  try {
    crew = new Crew(values.conformance);
  } catch (error) {
    usage(error.message);
  }
  if (values['list-invariants']) listInvariants(crew.judge);
  else if (values.serve) await serve(crew);
  else {
    const lines = (positionals.length ? positionals : [undefined]).flatMap(linesOf);
    const set = !values['no-set'];
    const external = values.external.split(',').filter(Boolean);
    process.exitCode = (await validate(crew, lines, { external, latest: values.latest, set })) ? 1 : 0;
  }
  await crew.dismiss();
}

await main();
