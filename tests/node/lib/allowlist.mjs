/**
 * The only codes of these systems that the project may write. A wrong standard code is worse than none, so anything
 * else is a problem. `wire`: in resources about patients and devices; `conformance`: in the conformance resources.
 *
 * Where each was verified stands beside it in mappings/codes.toml. v2-0550 is in the official R4 definitions too
 * (v2-tables.json), against which its displays are checked.
 */
export const LOINC = 'http://loinc.org';
export const FLUID_OUTPUT_CHEST_TUBE = '9129-8';

export const ALLOWED = {
  [LOINC]: { wire: ['9129-8', '81664-5'], conformance: ['9129-8', '81664-5', '9203-1', '9257-7'] },
  'http://snomed.info/sct': { wire: [], conformance: ['251843005'] },
  'urn:iso:std:iso:11073:10101': { wire: ['157740'], conformance: ['157740'] },
  'http://terminology.hl7.org/CodeSystem/v2-0550': {
    wire: ['PLEUR', 'MEDST', 'CHEST'], conformance: ['PLEUR', 'MEDST', 'CHEST'],
  },
};

/** Displays of codes that no definition here holds, each with the place where it was read. */
export const DISPLAYS = {
  [`${LOINC}|9129-8`]: 'Fluid output chest tube', // LOINC 2.82, long common name
};

/** Resource types that describe the project's data rather than being it; Parameters are what terminology answers. */
export const CONFORMANCE_TYPES = new Set([
  'CodeSystem', 'ValueSet', 'ConceptMap', 'NamingSystem', 'StructureDefinition', 'SearchParameter',
  'CapabilityStatement', 'OperationDefinition', 'ImplementationGuide', 'Parameters',
]);
