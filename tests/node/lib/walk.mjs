/**
 * Walks one resource along the definition of its type, and again along each profile that it claims.
 *
 * Every element is checked for what its definition says: presence, number, type, fixed and pattern values, required
 * binding, allowed targets, invariants. What is found on the way (codings, quantities, references, extensions) is
 * handed to the checks of its type. Resources inside (Bundle entries, contained ones) are handed back to the caller.
 */
import { isDeepStrictEqual } from 'node:util';
import { checkPrimitive, isId } from './primitives.mjs';

const isObject = (value) => typeof value === 'object' && value !== null && !Array.isArray(value);
const listed = (value) => (Array.isArray(value) ? value : [value]);
const BACKBONES = ['BackboneElement', 'Element'];

/** What one walk needs: the tools, what to tell, and whether it follows a profile. */
class Walk {
  constructor(tools, resource, report, inner) {
    Object.assign(this, { tools, resource, report, inner });
    this.isProfile = false;
    this.found = { codings: [], quantities: [], references: [], extensions: [] };
  }
}

/**
 * Checks a resource; `report({rule, path, message, severity})` is called for each problem and `inner(resource, path)`
 * for each resource inside it. Returns what was found: codings, quantities, references, extensions, each with a path.
 */
export function walkResource(tools, resource, report, inner) {
  const walk = new Walk(tools, resource, report, inner);
  const root = tools.schemas.type(resource.resourceType);
  if (!root || !tools.schemas.isResource(resource.resourceType)) {
    report({ rule: 'resource-type', path: '', message: `R4 has no resource ${resource.resourceType}` });
    return walk.found;
  }
  if (resource.id !== undefined && !isId(resource.id)) {
    report({ rule: 'bad-id', path: `${resource.resourceType}.id`, message: 'an id is 1 to 64 of A-Z a-z 0-9 - .' });
  }
  walkObject(walk, resource, root, resource.resourceType, root, resource.resourceType);
  walk.isProfile = true;
  for (const canonical of listed(resource.meta?.profile ?? [])) walkProfile(walk, canonical);
  return walk.found;
}

function walkProfile(walk, canonical) {
  const { resource, report, tools } = walk;
  const path = `${resource.resourceType}.meta.profile`;
  const root = tools.schemas.profile(canonical);
  if (!root) {
    report({ rule: 'unknown-profile', path, message: `no definition of ${canonical} was given` });
  } else if (root.structure.type !== resource.resourceType) {
    report({ rule: 'unknown-profile', path, message: `${canonical} is a profile of ${root.structure.type}` });
  } else {
    walkObject(walk, resource, root, resource.resourceType, root, resource.resourceType);
  }
}

/** One complex element or resource: its properties, then its own invariants. */
function walkObject(walk, value, node, typeName, root, path) {
  if (Object.keys(value).length === 0) {
    walk.report({ rule: 'empty', path, message: 'an element is absent rather than empty' });
    return;
  }
  const { byName, required, inline } = walk.tools.schemas.properties(node, typeName, root);
  const present = new Set();
  for (const name of Object.keys(value)) {
    if (name === 'resourceType') continue;
    const property = byName.get(name) ?? (name.startsWith('_') ? byName.get(name.slice(1)) : undefined);
    if (!property) {
      walk.report({ rule: 'unknown-element', path: `${path}.${name}`, message: `${typeName} has no ${name} here` });
    } else {
      if (present.has(property.node) && byName.get(name) && property.node.name.endsWith('[x]')) {
        walk.report({ rule: 'cardinality', path: `${path}.${name}`, message: `only one of ${property.node.name}` });
      }
      if (byName.get(name)) present.add(property.node);
      walkProperty(walk, value, name, property, path);
    }
  }
  for (const child of required) {
    if (!present.has(child) && !(`_${child.name}` in value)) {
      walk.report({ rule: 'missing-element', path: `${path}.${child.name}`, message: 'required, but not there' });
    }
  }
  checkInvariants(walk, value, node, inline, typeName, path);
}

function walkProperty(walk, parent, name, { node, type, root }, path) {
  const raw = parent[name];
  const here = `${path}.${name}`;
  if (name.startsWith('_')) {
    walkPrimitiveExtension(walk, parent, name, raw, here);
    return;
  }
  if (raw === null || (Array.isArray(raw) && raw.length === 0)) {
    walk.report({ rule: 'empty', path: here, message: 'an element is absent rather than empty' });
    return;
  }
  if (Array.isArray(raw) !== node.repeats) {
    const message = node.repeats ? 'must be an array, also with one value' : 'must be a single value, not an array';
    walk.report({ rule: 'cardinality', path: here, message });
    return;
  }
  const values = listed(raw);
  if (values.length > node.max || (node.min > values.length)) {
    walk.report({ rule: 'cardinality', path: here, message: `${values.length} values; ${node.min} to ${node.max} allowed` });
  }
  values.forEach((value, index) => {
    walkValue(walk, value, node, type, root, node.repeats ? `${here}[${index}]` : here, parent[`_${name}`]?.[index]);
  });
}

function walkValue(walk, value, node, type, root, path, companion) {
  const { schemas } = walk.tools;
  if (value === null && isObject(companion)) return; // json.html#primitive: null holds the place of an extension
  if (schemas.isPrimitive(type.code)) {
    walkPrimitive(walk, value, node, type, path);
  } else if (!isObject(value)) {
    walk.report({ rule: value === null ? 'empty' : 'json-type', path, message: `a ${type.code} is a JSON object` });
    return;
  } else if (type.code === 'Resource' || schemas.isResource(type.code)) {
    if (!walk.isProfile) walk.inner(value, path);
    return;
  } else {
    walkObject(walk, value, node, type.code, root, path);
    checkComplex(walk, value, type, path);
  }
  checkSpecified(walk, value, node, path);
  checkBinding(walk, value, node, type, path);
}

function walkPrimitive(walk, value, node, type, path) {
  if (!walk.isProfile) {
    for (const problem of checkPrimitive(value, type.code, walk.tools.schemas)) walk.report({ ...problem, path });
  }
  const own = node.constraints.filter(({ key }) => key !== 'ele-1'); // a primitive with a value meets ele-1
  if (own.length) evaluate(walk, value, walk.tools.invariants.of(own, node.path.replace('[x]', '')), path);
}

/** `_name`: id and extensions of a primitive value, R4 json.html#primitive. */
function walkPrimitiveExtension(walk, parent, name, raw, path) {
  if (walk.isProfile) return;
  const element = walk.tools.schemas.type('Element');
  listed(raw).forEach((each, index) => {
    if (each === null && Array.isArray(raw)) return;
    if (!isObject(each)) {
      walk.report({ rule: 'empty', path, message: 'holds the id and extensions of a primitive value' });
      return;
    }
    walkObject(walk, each, element, 'Element', element, path);
    const value = Array.isArray(raw) ? parent[name.slice(1)]?.[index] : parent[name.slice(1)];
    if ((value ?? undefined) === undefined && !each.extension?.length) {
      walk.report({ rule: 'ele-1', path, message: 'neither a value nor an extension' });
    }
  });
}

function checkComplex(walk, value, type, path) {
  const { found, report, tools } = walk;
  if (type.code === 'Reference') found.references.push({ value, path, targets: type.targets });
  if (walk.isProfile) return;
  if (type.code === 'Coding') found.codings.push({ value, path });
  if (tools.quantities.has(type.code)) found.quantities.push({ value, path });
  if (type.code === 'Extension') {
    found.extensions.push({ value, path });
    walkExtension(walk, value, path);
  }
  for (const canonical of type.profiles ?? []) {
    const profile = tools.schemas.profile(canonical);
    if (profile) evaluate(walk, value, tools.invariants.of(profile.constraints, type.code), path);
    else report({ rule: 'unknown-profile', path, message: `no definition of ${canonical} was given` });
  }
}

/** An extension follows its own definition: what it may hold is part of the contract. */
function walkExtension(walk, value, path) {
  const root = typeof value.url === 'string' && value.url.includes(':') ? walk.tools.schemas.profile(value.url) : undefined;
  if (!root) return;
  const inside = new Walk(walk.tools, walk.resource, walk.report, walk.inner);
  inside.isProfile = true;
  walkObject(inside, value, root, 'Extension', root, path);
  walk.found.references.push(...inside.found.references);
}

function checkSpecified(walk, value, node, path) {
  if (node.exact !== undefined && !isDeepStrictEqual(value, node.exact)) {
    walk.report({ rule: 'fixed', path, message: 'not the value that the definition fixes' });
  }
  if (node.pattern !== undefined && !includes(value, node.pattern)) {
    walk.report({ rule: 'pattern', path, message: 'does not contain the pattern that the definition demands' });
  }
}

/** Pattern match of elementdefinition.html: all of it present, arrays in any order, more allowed. */
function includes(value, pattern) {
  if (Array.isArray(pattern)) {
    return Array.isArray(value) && pattern.every((each) => value.some((one) => includes(one, each)));
  }
  if (isObject(pattern)) {
    return isObject(value) && Object.keys(pattern).every((key) => includes(value[key], pattern[key]));
  }
  return value === pattern;
}

function checkBinding(walk, value, node, type, path) {
  if (!node.binding) return;
  const wrong = walk.tools.bindings.problem(value, type.code, node.binding);
  if (wrong) walk.report({ rule: 'required-binding', path, message: wrong });
}

function checkInvariants(walk, value, node, inline, typeName, path) {
  const { schemas, invariants } = walk.tools;
  const base = schemas.type(typeName);
  const place = BACKBONES.includes(typeName) && inline.children.size ? inline.path : typeName;
  const lists = [node.constraints, inline === node ? [] : inline.constraints];
  if (!walk.isProfile && base !== node) lists.push(base?.constraints ?? []);
  const seen = new Set();
  const constraints = lists.flat().filter(({ key }) => !seen.has(key) && seen.add(key) && key !== 'ele-1');
  if (Object.keys(value).every((key) => key === 'id')) {
    walk.report({ rule: 'ele-1', path, message: 'All FHIR elements must have a @value or children' });
  }
  evaluate(walk, value, invariants.of(constraints, place), path);
}

function evaluate(walk, value, invariants, path) {
  if (!invariants.length) return;
  const text = path.includes('.') && invariants.some((each) => each.local) ? JSON.stringify(value) : undefined;
  for (const invariant of invariants) {
    try {
      if (invariant.holds(value, walk.resource, text)) continue;
      walk.report({ rule: invariant.key, path, message: invariant.human, severity: invariant.severity });
    } catch (error) {
      walk.report({ rule: 'invariant-error', path, message: `${invariant.key} can't be evaluated: ${error.message.slice(0, 120)}` });
    }
  }
}
