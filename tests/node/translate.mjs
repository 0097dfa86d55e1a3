// Translates with @medplum/core: {map, asked: [{code, system, targetsystem?}]} on standard input, a list of answers out.
import { conceptMapTranslate } from "@medplum/core";

const { map, asked } = JSON.parse(await new Response(process.stdin).text());
process.stdout.write(JSON.stringify(asked.map((each) => conceptMapTranslate(map, each))));
