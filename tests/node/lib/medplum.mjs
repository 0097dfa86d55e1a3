/**
 * A second, independent opinion on structure: the validator of @medplum/core, with the official R4 definitions and
 * with each profile that a resource claims. It throws on errors and returns warnings; both are looked at.
 */
import { indexStructureDefinitionBundle, loadDataType, OperationOutcomeError, validateTypedValue } from '@medplum/core';

const listed = (value) => (Array.isArray(value) ? value : [value]);

/**
 * Warnings that are known to be false: the library takes the text before the first '/' of any reference for its
 * type, so `urn:uuid:…` and `https://…` are each 'a wrong type'. lib/references.mjs checks those by itself, against
 * the resource that they lead to. No other warning is passed over.
 */
const isFalseWarning = ({ severity, details }) =>
  severity === 'warning' && /^Invalid reference: got "(urn:uuid:[^"]*|urn:oid:[^"]*|https?:)"/.test(details?.text ?? '');

export class Medplum {
  #profiles = new Map();

  constructor(definitions, schemas) {
    this.definitions = definitions;
    this.schemas = schemas;
    indexStructureDefinitionBundle(definitions.types);
    indexStructureDefinitionBundle(definitions.resources);
  }

  /**
   * Yields {rule: 'medplum', severity, path, message} for everything that it says about a resource. The snapshot of a
   * profile holds its base type whole, so the base alone is asked only where there is no profile.
   */
  *check(resource) {
    const types = listed(resource.meta?.profile ?? []).map((url) => this.#profileType(url, resource.resourceType));
    const profiles = types.filter(Boolean);
    for (const type of profiles.length ? profiles : [resource.resourceType]) {
      for (const issue of outcomeOf(resource, type)) {
        if (isFalseWarning(issue)) continue;
        const path = listed(issue.expression ?? [])[0] ?? '';
        const about = profiles.length ? ` (${type})` : '';
        yield { rule: 'medplum', severity: issue.severity, path, message: `${issue.details?.text ?? issue.code}${about}` };
      }
    }
  }

  /**
   * The name under which the library knows a profile, or undefined. Given `{profile}`, validateResource parses the
   * profile anew for every resource (1.2 of 1.4 ms); loaded as a type named by its URL it is parsed once. Loading also
   * stores the backbone types under their plain names, so the base is loaded again after it, and comes first again.
   */
  #profileType(url, resourceType) {
    if (!this.#profiles.has(url)) {
      const profile = this.schemas.profile(url)?.structure;
      if (profile) {
        loadDataType({ ...profile, type: profile.url });
        loadDataType(this.definitions.structureOf(profile.type));
      }
      this.#profiles.set(url, profile);
    }
    const profile = this.#profiles.get(url);
    return profile?.type === resourceType ? profile.url : undefined;
  }
}

function outcomeOf(resource, type) {
  try {
    return validateTypedValue({ type, value: resource });
  } catch (error) {
    if (error instanceof OperationOutcomeError) return error.outcome.issue;
    return [{ severity: 'error', code: 'exception', details: { text: `could not be judged: ${error.message}` } }];
  }
}
