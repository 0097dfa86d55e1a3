/**
 * Primitive values: their JSON type, the pattern of their FHIR type, and what no pattern sees: days that don't exist.
 *
 * R4 datatypes.html#primitive; json.html#primitive.
 */
const JSON_TYPES = {
  boolean: 'boolean', decimal: 'number', integer: 'number', positiveInt: 'number', unsignedInt: 'number',
};
const INTEGERS = { integer: /^-?\d+$/, positiveInt: /^[1-9]\d*$/, unsignedInt: /^\d+$/ };
const DATED = ['date', 'dateTime', 'instant'];
const ID = /^[A-Za-z0-9\-.]{1,64}$/; // resource.html#id; the definitions themselves call Resource.id a string
const UUID = /^urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/; // RFC 9562; datatypes.html#uuid

/** Yields {rule, message} for each thing wrong with one primitive value. */
export function* checkPrimitive(value, typeName, schemas) {
  const wanted = JSON_TYPES[typeName] ?? 'string';
  if (typeof value !== wanted) {
    yield { rule: 'json-type', message: `a ${typeName} is a JSON ${wanted}, not ${typeof value}` };
  } else if (wanted === 'number') {
    if (INTEGERS[typeName] && !INTEGERS[typeName].test(String(value))) {
      yield { rule: 'primitive', message: `not a valid ${typeName}` };
    }
  } else if (wanted === 'string') {
    yield* checkText(value, typeName, schemas);
  }
}

function* checkText(text, typeName, schemas) {
  if (text.trim() === '') {
    yield { rule: 'empty', message: 'an element is absent rather than empty' };
  } else if (DATED.includes(typeName)) {
    yield* checkDate(text, typeName, schemas);
  } else if (patternOf(typeName, schemas)?.test(text) === false) {
    yield { rule: 'primitive', message: `not a valid ${typeName}` };
  }
  if (text.startsWith('urn:uuid:') && !UUID.test(text)) {
    yield { rule: 'urn-uuid', message: 'urn:uuid: must be followed by a lower-case UUID and nothing else' };
  }
}

const patterns = new Map();
function patternOf(typeName, schemas) {
  if (!patterns.has(typeName)) patterns.set(typeName, schemas.regex(typeName));
  return patterns.get(typeName);
}

function* checkDate(text, typeName, schemas) {
  const [, year, month, day] = /^(\d{4})-(\d\d)-(\d\d)/.exec(text) ?? [];
  if (day && new Date(Date.UTC(year, month - 1, day)).getUTCDate() !== Number(day)) {
    yield { rule: 'calendar', message: 'this day does not exist' };
  }
  if (text.includes('T') && !/(Z|[+-]\d\d:\d\d)$/.test(text)) {
    yield { rule: 'zone', message: `a ${typeName} with a time needs a zone` };
  } else if (!patternOf(typeName, schemas).test(text)) {
    yield { rule: 'primitive', message: `not a valid ${typeName}` };
  }
}

/** Whether the text can be the id of a resource. */
export const isId = (text) => typeof text === 'string' && ID.test(text);
