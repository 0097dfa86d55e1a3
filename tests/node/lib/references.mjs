/**
 * References: their form, and whether their type is one that the element allows (R4 references.html).
 */
const UUID_OR_OID = /^urn:(uuid|oid):/;
const LITERAL = /^(?:(https?:\/\/[^?#]+)\/)?([A-Z][A-Za-z]+)\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/([A-Za-z0-9\-.]{1,64}))?$/;
const CONDITIONAL = /^([A-Z][A-Za-z]+)\?(.+)$/;

/** What a reference string is: {form, type, id, version, base, query}. */
export function parseReference(text) {
  if (text.startsWith('#')) return { form: 'contained', id: text.slice(1) };
  if (UUID_OR_OID.test(text)) return { form: 'urn' };
  const literal = LITERAL.exec(text);
  if (literal) {
    const [, base, type, id, version] = literal;
    return { form: base ? 'absolute' : 'relative', base, type, id, version };
  }
  const conditional = CONDITIONAL.exec(text);
  if (conditional) return { form: 'conditional', type: conditional[1], query: conditional[2] };
  return { form: /^https?:\/\//.test(text) ? 'elsewhere' : 'malformed' };
}

/** Resource types that target profiles allow; undefined when any type is allowed. */
export function allowedTypes(targets, schemas) {
  if (!targets?.length) return undefined;
  const types = targets.map((profile) => schemas.targetType(profile));
  return types.includes('Resource') || types.includes(undefined) ? undefined : new Set(types);
}

/** Yields {rule, message} for one Reference, as far as it can be judged alone. */
export function* checkReference(value, targets, schemas) {
  const parsed = value.reference === undefined ? {} : parseReference(value.reference);
  if (value.reference === undefined && !value.identifier && !value.display && !value.extension) {
    yield { rule: 'reference', message: 'neither reference nor identifier nor display' };
  }
  if (parsed.form === 'malformed') {
    yield { rule: 'reference', message: 'not Type/id, a URL, urn:uuid:, #id or Type?query' };
  }
  for (const type of new Set([parsed.type, value.type].filter(Boolean))) {
    if (!schemas.isResource(type)) yield { rule: 'reference-type', message: `R4 has no resource ${type}` };
    else if (allowedTypes(targets, schemas)?.has(type) === false) {
      yield { rule: 'reference-type', message: `${type} is not among the targets allowed here` };
    }
  }
  if (parsed.type && value.type && parsed.type !== value.type) {
    yield { rule: 'reference-type', message: `type says ${value.type}, the reference ${parsed.type}` };
  }
}
