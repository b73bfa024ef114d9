// Reading the served JSON schema of the recipe: what kind of control a field wants.

import { words } from "./paths.js";

/** @import { Value } from "./wire-types.js" */

/**
 * @typedef {object} FieldInfo
 * @property {string} key
 * @property {string} label
 * @property {string} help
 * @property {"number"|"switch"|"choice"|"text"|"rgb"|"integer"|"model"|"list"|"fixed"} kind
 * @property {string} unit
 * @property {number} step
 * @property {number} low
 * @property {number} high
 * @property {[number, number]} drag
 * @property {boolean} keyable
 * @property {boolean} optional
 * @property {Value} initial
 * @property {string[]} values
 * @property {string} model   name of the referenced model
 */

/**
 * A node of a JSON schema.
 * @typedef {any} Node any: JSON Schema lets every keyword stand everywhere; what is read is checked
 */
/** @type {Node} */
let root = { $defs: {} };

/** @param {Node} schema */
export function useSchema(schema) {
  root = schema;
}

/** @param {Node} node @returns {Node} */
function deref(node) {
  if (!node?.$ref) return node;
  const { $ref, ...rest } = node;
  return { ...root.$defs[$ref.split("/").pop()], ...rest };
}

/** @param {Node} node */
function refName(node) {
  const ref = node?.$ref ?? node?.allOf?.[0]?.$ref;
  return ref ? ref.split("/").pop() : "";
}

/** A model's definition by name; "" is the recipe. @param {string} name */
export function modelOf(name) {
  return name ? root.$defs[name] : root;
}

/** Fields of a model in the declared order. @param {string} name @returns {FieldInfo[]} */
export function fieldsOf(name) {
  const model = modelOf(name);
  return Object.entries(model.properties).map(([key, node]) => describe(key, node));
}

/** One field of a model. @param {string} name @param {string} key @returns {FieldInfo} */
export const fieldOf = (name, key) => describe(key, modelOf(name).properties[key]);

/** @param {string} key @param {Node} raw @returns {FieldInfo} */
export function describe(key, raw) {
  let node = deref(raw);
  let optional = false;
  let keyable = Boolean(node.keyable);
  if (node.anyOf) {
    const plain = node.anyOf.filter((/** @type {Node} */ n) => {
      if (n.type === "null") optional = true;
      if (refName(n) === "Keys") keyable = true;
      return n.type !== "null" && refName(n) !== "Keys";
    });
    node = {
      ...node,
      ...deref(plain[0]),
      description: node.description ?? plain[0].description,
      default: node.default,
    };
  }
  const low = node.low ?? node.minimum ?? node.exclusiveMinimum ?? -Infinity;
  const high = node.high ?? node.maximum ?? node.exclusiveMaximum ?? Infinity;
  const bounded = Number.isFinite(low) && Number.isFinite(high);
  const around = bounded ? [low, high] : [0, 1];
  const integer = node.type === "integer";
  return {
    key,
    label: words(key),
    help: node.description ?? "",
    kind: kindOf(key, node),
    unit: node.unit ?? "",
    step: node.step ?? (integer ? 1 : 0.01),
    low,
    high,
    drag: node.drag ?? (integer && !bounded ? [-100, 100] : around),
    keyable,
    optional,
    initial: node.default,
    values: node.enum ?? [],
    model: refName(raw),
  };
}

/** @param {string} key @param {Node} node @returns {FieldInfo["kind"]} */
function kindOf(key, node) {
  if (node.const !== undefined || key === "id" || key === "version" || key === "format") return "fixed";
  if (node.enum) return "choice";
  if (node.type === "boolean") return "switch";
  if (node.type === "number") return "number";
  if (node.type === "integer") return "integer";
  if (node.type === "string") return "text";
  if (node.type === "array")
    return node.prefixItems?.length === 3 && node.prefixItems[0].type === "number" ? "rgb" : "list";
  return "model";
}

/** The default value of a model, from its schema. @param {string} name @returns {Record<string, Value>} */
export function defaultsOf(name) {
  /** @type {Record<string, Value>} */
  const made = {};
  for (const [key, raw] of Object.entries(modelOf(name).properties)) {
    const node = deref(raw);
    if (node.const !== undefined) made[key] = node.const;
    else if (node.default !== undefined) made[key] = structuredClone(node.default);
    else if (refName(raw)) made[key] = defaultsOf(refName(raw));
  }
  return made;
}

/**
 * Kinds of extractor: [kind, model name, first sentence of its description].
 * @returns {[string, string, string][]}
 */
export function extractorKinds() {
  const items = root.properties.extractors.items;
  const mapping = items.discriminator?.mapping ?? {};
  return Object.entries(mapping).map(([kind, ref]) => {
    const model = String(ref).split("/").pop() ?? "";
    return [kind, model, root.$defs[model].description.split("\n")[0]];
  });
}
