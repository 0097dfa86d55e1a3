/**
 * StructureDefinition snapshots compiled to a tree that a walker can follow: JSON property name -> element.
 *
 * Slices (element ids with ':') are left out: the project backs each slice by an invariant, and invariants are
 * evaluated. R4 elementdefinition.html, json.html.
 */
import { HL7 } from './definitions.mjs';

const FHIR_TYPE = 'http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type';
const REGEX = 'http://hl7.org/fhir/StructureDefinition/regex';
const isSlice = (element) => element.id.includes(':');

/** One element of a snapshot; `children` is filled while the tree is built. */
class Node {
  constructor(element) {
    this.path = element.path;
    this.name = element.path.split('.').at(-1);
    this.min = element.min ?? 0;
    this.max = element.max === '*' ? Infinity : Number(element.max ?? 1);
    this.repeats = !['0', '1'].includes(element.base?.max ?? element.max);
    this.types = (element.type ?? []).map(compileType);
    this.binding = element.binding?.strength === 'required' ? element.binding.valueSet : undefined;
    this.constraints = (element.constraint ?? []).filter((each) => each.expression);
    this.exact = specified(element, 'fixed');
    this.pattern = specified(element, 'pattern');
    this.contentReference = element.contentReference?.split('#').at(-1);
    this.children = new Map();
    this.properties = new Map(); // type -> compiled properties
  }
}

function compileType({ code, targetProfile, profile, extension }) {
  const spoken = extension?.find((each) => each.url === FHIR_TYPE)?.valueUrl;
  return { code: code.includes('System.') ? (spoken ?? 'string') : code, targets: targetProfile, profiles: profile };
}

function specified(element, prefix) {
  const key = Object.keys(element).find((each) => each.startsWith(prefix) && /[A-Z]/.test(each[prefix.length] ?? ''));
  return key && element[key];
}

const capitalised = (text) => text[0].toUpperCase() + text.slice(1);

/** Builds the tree of a snapshot and returns its root. */
function compile(structure) {
  const elements = (structure.snapshot?.element ?? []).filter((element) => !isSlice(element));
  if (!elements.length) throw new Error(`StructureDefinition ${structure.url} has no snapshot`);
  const byPath = new Map();
  for (const element of elements) {
    const node = new Node(element);
    byPath.set(node.path, node);
    const parent = byPath.get(node.path.slice(0, node.path.lastIndexOf('.')));
    parent?.children.set(node.name, node);
  }
  const root = byPath.get(elements[0].path);
  root.byPath = byPath;
  root.structure = structure;
  return root;
}

/** Compiled trees by type or by profile, and the properties that each element of them may have. */
export class Schemas {
  #roots = new Map();

  constructor(definitions) {
    this.definitions = definitions;
  }

  /** Root of a base type such as `Observation`; undefined when R4 has no such type. */
  type(name) {
    return this.#root(name, () => this.definitions.structureOf(name));
  }

  /** Root of a profile or extension definition by canonical URL; undefined when unknown. */
  profile(canonical) {
    return this.#root(canonical, () => this.definitions.find('StructureDefinition', canonical));
  }

  #root(key, find) {
    if (!this.#roots.has(key)) {
      const structure = find();
      this.#roots.set(key, structure && compile(structure));
    }
    return this.#roots.get(key);
  }

  /**
   * What a JSON object at this element may hold: property name -> {node, type, root}, and the nodes that it must.
   * An element constrained in place adds its own children to those of its data type.
   */
  properties(node, typeName, root) {
    if (!node.properties.has(typeName)) node.properties.set(typeName, this.#propertiesOf(node, typeName, root));
    return node.properties.get(typeName);
  }

  #propertiesOf(node, typeName, root) {
    const own = node.contentReference ? root.byPath.get(node.contentReference) : node;
    const children = new Map();
    const base = own === root ? undefined : this.type(typeName);
    for (const child of base?.children.values() ?? []) children.set(child.name, { node: child, root: base });
    for (const child of own.children.values()) children.set(child.name, { node: child, root });
    const byName = new Map();
    for (const { node: child, root: home } of children.values()) {
      for (const [name, type] of namesOf(child)) byName.set(name, { node: child, type, root: home });
    }
    const required = [...children.values()].map((each) => each.node).filter((child) => child.min > 0);
    return { byName, required, inline: own };
  }

  /** The regular expression of a primitive type, anchored; undefined when the definitions state none. */
  regex(typeName) {
    const value = this.type(typeName)?.byPath.get(`${typeName}.value`);
    const element = value && this.type(typeName).structure.snapshot.element.find((each) => each.path === value.path);
    const text = element?.type?.[0].extension?.find((each) => each.url === REGEX)?.valueString;
    return text && new RegExp(`^(?:${text})$`);
  }

  isPrimitive(typeName) {
    return this.type(typeName)?.structure.kind === 'primitive-type';
  }

  isResource(typeName) {
    return this.type(typeName)?.structure.kind === 'resource';
  }

  /** The resource type that a target profile allows, or undefined when it is unknown. */
  targetType(profile) {
    if (profile.startsWith(HL7) && this.type(profile.slice(HL7.length))) return profile.slice(HL7.length);
    return this.definitions.find('StructureDefinition', profile)?.type;
  }
}

function namesOf(child) {
  if (child.name.endsWith('[x]')) {
    return child.types.map((type) => [child.name.slice(0, -3) + capitalised(type.code), type]);
  }
  if (child.contentReference) return [[child.name, { code: 'BackboneElement' }]];
  return [[child.name, child.types[0] ?? { code: 'Element' }]];
}
