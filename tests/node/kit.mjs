// Drives the client `fhir-kit-client` (npm): one JSON question on standard input, one JSON answer on standard output.
import { Client } from "fhir-kit-client";

const { base, key, ask, ...wanted } = JSON.parse(await new Response(process.stdin).text());
const client = new Client({ baseUrl: base, bearerToken: key });

async function everything(resourceType, searchParams) {
  const found = [];
  let bundle = await client.search({ resourceType, searchParams });
  while (bundle) {
    found.push(...(bundle.entry ?? []).filter(({ search }) => search.mode === "match").map(({ resource }) => resource));
    bundle = await client.nextPage({ bundle });
  }
  return found;
}

const one = async (resourceType, searchParams) => {
  const found = await everything(resourceType, searchParams);
  if (found.length !== 1) throw new Error(`${found.length} of ${resourceType}`);
  return found[0];
};

const patient = async (identifier) => `Patient/${(await one("Patient", { identifier })).id}`;

const answers = {
  statement: () => client.capabilityStatement(),
  smart: () => client.smartAuthMetadata(),
  day: async () =>
    (await everything("Observation", {
      patient: await patient(wanted.patient),
      code: "http://loinc.org|9129-8",
      "period-end": [`gt${wanted.start}`, `le${wanted.end}`],
    })).map(({ valueQuantity }) => valueQuantity?.value ?? null),
  page: async () =>
    (await everything("Observation", { patient: await patient(wanted.patient), _count: "250" })).map(({ id }) => id),
  version: async () => {
    const now = await one("Observation", { identifier: wanted.identifier });
    return [await client.vread({ resourceType: "Observation", id: now.id, version: "1" }), now];
  },
  find: async () => ({
    patient: await patient(wanted.patient),
    drain: `Device/${(await one("Device", { identifier: wanted.drain, type: "drain-catheter" })).id}`,
  }),
  transaction: () => client.transaction({ body: wanted.bundle }),
};

process.stdout.write(JSON.stringify(await answers[ask]()));
