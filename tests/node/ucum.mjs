#!/usr/bin/env node
/**
 * Asks the UCUM reference library, one JSON object a line on standard input, one answer a line:
 *
 *   {"op":"valid","code":"mL"}                              -> {"valid":true}
 *   {"op":"convert","value":"1","from":"kPa","to":"cm[H2O]"} -> {"value":"10.197162129779283"} (null: not convertible)
 */
import { createInterface } from 'node:readline';
import { Ucum } from './lib/ucum.mjs';

const ucum = new Ucum();
const operations = {
  valid: ({ code }) => ({ valid: ucum.isValid(code) }),
  convert: ({ value, from, to }) => ({ value: ucum.convert(value, from, to) }),
};

for await (const line of createInterface({ input: process.stdin })) {
  const question = JSON.parse(line);
  const operation = operations[question.op];
  if (!operation) throw new Error(`op is 'valid' or 'convert', not ${question.op}`);
  process.stdout.write(`${JSON.stringify(operation(question))}\n`);
}
