// What expressions give on resources, by the reference implementation `fhirpath` (npm) and its R4 model.
//   in:  {"expressions": {"Type": {"name": "expression"}}, "lines": ["resource", ...]}
//   out: [{"name": [value, ...]}, ...], one for each line
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";

const { expressions, lines } = JSON.parse(await new Response(process.stdin).text());

// What a reference leads to is told by the reference itself: no other server is asked.
const userInvocationTable = {
  leadsTo: {
    fn: (inputs, type) =>
      inputs.filter((each) => (each?.reference ?? each?.data?.reference ?? "").startsWith(`${type}/`)),
    arity: { 1: ["String"] },
  },
};

// Alternatives are evaluated one by one: a union compares quantities, and fhirpath compares none that has a comparator.
// R4's definitions cast whole collections, which FHIRPath's 'as' refuses: ofType is what they mean.
const alternatives = (expression) =>
  expression.split("|").map((each) =>
    each
      .trim()
      .replace(/where\(resolve\(\) is (\w+)\)/g, "leadsTo('$1')")
      .replace(/\(([\w.]+) as (\w+)\)/g, "$1.ofType($2)"),
  );

const compiled = {};
const values = (type, name, resource) => {
  compiled[`${type} ${name}`] ??= alternatives(expressions[type][name]).map((each) =>
    fhirpath.compile(each, r4, { userInvocationTable }),
  );
  return compiled[`${type} ${name}`].flatMap((evaluate) => evaluate(resource));
};

const answers = lines.map((line) => {
  const resource = JSON.parse(line);
  const type = resource.resourceType;
  return Object.fromEntries(Object.keys(expressions[type] ?? {}).map((name) => [name, values(type, name, resource)]));
});
process.stdout.write(JSON.stringify(answers));
