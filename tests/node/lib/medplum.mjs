/**
 * A second, independent opinion on structure: validateResource of @medplum/core, with the official R4 definitions and
 * with each profile that a resource claims. It throws on errors and returns warnings; both are looked at.
 */
import { indexStructureDefinitionBundle, OperationOutcomeError, validateResource } from '@medplum/core';

const listed = (value) => (Array.isArray(value) ? value : [value]);

/**
 * Warnings that are known to be false: the library takes the text before the first '/' of any reference for its
 * type, so `urn:uuid:…` and `https://…` are each 'a wrong type'. lib/references.mjs checks those by itself, against
 * the resource that they lead to. No other warning is passed over.
 */
const isFalseWarning = ({ severity, details }) =>
  severity === 'warning' && /^Invalid reference: got "(urn:uuid:[^"]*|urn:oid:[^"]*|https?:)"/.test(details?.text ?? '');

export class Medplum {
  constructor(definitions, schemas) {
    this.schemas = schemas;
    indexStructureDefinitionBundle(definitions.types);
    indexStructureDefinitionBundle(definitions.resources);
  }

  /** Yields {rule: 'medplum', severity, path, message} for everything that it says about a resource. */
  *check(resource) {
    yield* this.#issues(resource, undefined);
    for (const canonical of listed(resource.meta?.profile ?? [])) {
      const profile = this.schemas.profile(canonical)?.structure;
      if (profile?.type === resource.resourceType) yield* this.#issues(resource, profile);
    }
  }

  *#issues(resource, profile) {
    for (const issue of outcomeOf(resource, profile)) {
      if (isFalseWarning(issue)) continue;
      const about = profile ? ` (profile ${profile.name})` : '';
      const path = listed(issue.expression ?? [])[0] ?? '';
      yield { rule: 'medplum', severity: issue.severity, path, message: `${issue.details?.text ?? issue.code}${about}` };
    }
  }
}

function outcomeOf(resource, profile) {
  try {
    return validateResource(resource, profile && { profile });
  } catch (error) {
    if (error instanceof OperationOutcomeError) return error.outcome.issue;
    return [{ severity: 'error', code: 'exception', details: { text: `could not be judged: ${error.message}` } }];
  }
}
