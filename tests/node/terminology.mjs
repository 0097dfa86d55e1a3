// A terminology client that nobody here wrote, the npm package fhirpath (its %terminologies and memberOf):
// {base, key, fhir, asked: [{resource, expression}]} on standard input; each one's result, or {"error": text}, out.
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";
import r5 from "fhirpath/fhir-context/r5/index.js";

const { base, key, fhir, asked } = JSON.parse(await new Response(process.stdin).text());
const options = { async: true, terminologyUrl: base, httpHeaders: { [base]: { Authorization: `Bearer ${key}` } } };
const answers = [];
for (const { resource, expression } of asked) {
  try {
    answers.push(await fhirpath.evaluate(resource, expression, {}, { R4: r4, R5: r5 }[fhir], options));
  } catch (error) {
    answers.push({ error: String(error?.message ?? error) });
  }
}
process.stdout.write(JSON.stringify(answers));
