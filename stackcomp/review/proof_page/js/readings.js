// What is told of a node: values of its channels, its parameters, its picture, and its kind.
import { fill, make } from "./dom.js";
import { twoStates } from "./graph.js";
import { histograms } from "./histogram.js";
import { brief, duration, hex, lastPart, ordinal, share, whole } from "./numbers.js";
import { head } from "./pieces.js";


function table(headings, rows, numeric = true) {
  const top = headings.length ? make("thead", {}, make("tr", {}, ...headings.map((text) => make("th", { scope: "col", text })))) : null;
  const body = rows.map((cells) => make("tr", {}, ...cells.map((cell, k) => (k === 0 ? make("th", { scope: "row" }, cell) : make("td", {}, cell)))));
  return make("table", { class: numeric ? "numbers" : "" }, top, make("tbody", {}, ...body));
}

export function showValues(element, detail, layer, way) {
  const inside = element.querySelector(".inside");
  if (!layer) {
    fill(inside, make("p", { class: "dim", text: "There is no picture." }));
    return;
  }
  if (detail.window[2] < 1 || detail.window[3] < 1) {
    fill(inside, make("p", { class: "dim", text: "The data window is empty: there are no values." }));
    return;
  }
  const names = layer.channels.filter((name) => detail.channels[name] && detail.channels[name].statistics);
  const chosen = way.startsWith("plane:") ? names.filter((name) => way === `plane:${name}`) : names.slice(0, 4);
  const rows = [
    ["least", (one) => brief(one.min)],
    ["greatest", (one) => brief(one.max)],
    ["mean", (one) => brief(one.mean)],
    ["median", (one) => brief(one.median)],
    ["deviation", (one) => brief(one.deviation)],
    ["below 0", (one) => share(one.negative, one.count)],
    ["above 1", (one) => share(one.above_one, one.count)],
    ["not a number", (one) => share(one.nan, one.count)],
    ["infinite", (one) => share(one.infinite, one.count)],
  ];
  const figures = names.length
    ? table(["", ...names.map(lastPart)], rows.map(([title, text]) => [title, ...names.map((name) => text(detail.channels[name].statistics))]))
    : null;
  const kinds = new Map();
  for (const name of chosen) {
    const told = detail.channels[name].histogram;
    // Colour is on one scale; its alpha, and planes of a file, have their own.
    const key = told.kind === "stops" ? "stops" : layer.view === "planes" || name === layer.channels[3] ? name : "even";
    kinds.set(key, [...(kinds.get(key) ?? []), [name, told]]);
  }
  const drawn = [...kinds.values()].map(histograms);
  fill(inside, layer.objects.length ? objects(layer) : null, make("div", { class: "beside" }, figures, make("div", {}, ...drawn)));
}

function objects(layer) {
  const rows = layer.objects.map(([bits, pixels, cover]) => {
    const name = head.objects[bits.toString(16).padStart(8, "0")];
    return [make("span", { dir: "auto", text: name ?? "" }), hex(bits), whole(pixels), whole(Math.round(cover))];
  });
  return table(["object", "id", "pixels", "coverage"], rows);
}

// A value as JSON has it, with a space after commas and colons; text by itself without its quotes.
function written(value, inside = false) {
  if (Array.isArray(value)) return `[${value.map((one) => written(one, true)).join(", ")}]`;
  if (value !== null && typeof value === "object") {
    return `{${Object.entries(value).map(([name, one]) => `${JSON.stringify(name)}: ${written(one, true)}`).join(", ")}}`;
  }
  return typeof value === "string" && !inside ? value : JSON.stringify(value);
}

export function showParameters(element, detail, kind, changes) {
  const changed = new Map((changes ?? []).map(([name, before]) => [name, before]));
  const texts = new Map((kind ? kind.parameters : []).map((one) => [one.name, one]));
  const rows = Object.entries(detail.parameters).map(([name, value]) => {
    const text = texts.get(name);
    const plain = text && !text.required && JSON.stringify(text.default) === JSON.stringify(value);
    const unit = text && text.unit && value !== null && typeof value !== "string" ? ` ${text.unit}` : "";
    const content = make("span", { class: plain ? "dim" : "set", dir: "auto", text: value === null || value === "" ? "–" : written(value) + unit });
    const was = changed.has(name) ? make("em", { class: "was", dir: "auto", text: `before: ${written(changed.get(name) ?? null)}` }) : null;
    return [make("span", { title: text ? text.doc : null, text: name }), make("div", {}, content, was)];
  });
  const about = [...changed].filter(([name]) => !(name in detail.parameters));
  const others = about.map(([name, before]) => make("p", { class: "was", dir: "auto", text: `${name}, before: ${written(before ?? null)}` }));
  const inside = element.querySelector(".inside");
  fill(inside, rows.length ? table([], rows, false) : make("p", { class: "dim", text: "none" }), ...others);
}

const rungs = {
  exact: "every value, bit by bit",
  half: "every value, rounded to half",
};

function whatIsKept(layer) {
  const names = new Map();
  for (const unit of layer.units) {
    const grid = `true values of every ${ordinal(unit.step)} pixel, across and down; between them, a picture to look at`;
    const words = rungs[unit.rung] ?? grid;
    names.set(words, [...(names.get(words) ?? []), ...unit.channels.map(lastPart)]);
  }
  return [...names].map(([words, channels]) => `${channels.join(" ")}: ${words}`);
}

const coordinate = (value) => String(value).replace("-", "−");

const windowWords = ([x, y, width, height]) =>
  width < 1 || height < 1 ? "empty" : `${width} × ${height} at\u00a0${coordinate(x)},\u00a0${coordinate(y)}`;

export const ABSENT = twoStates ? "This node is not in this state of the graph." : "This node is not in this frame.";

export function showPicture(element, cell, detail, layer) {
  if (!cell) {
    fill(element.querySelector(".inside"), make("p", { class: "dim", text: ABSENT }));
    return;
  }
  const rows = [["type", make("span", { text: detail.type || cell.type })]];
  if (detail.window) {
    rows.push(["frame", windowWords(detail.frame)], ["data window", windowWords(detail.window)]);
    if (detail.scale !== 1) rows.push(["scale", String(detail.scale)]);
  }
  if (cell.seconds !== null && cell.seconds !== undefined) {
    rows.push(["time", duration(cell.seconds) + (cell.compiled ? ", with compiling" : "")]);
  }
  if (layer) rows.push(["in this page", make("div", {}, ...whatIsKept(layer).map((text) => make("div", { text })))]);
  const notes = cell.warnings.map((text) => make("p", { class: "note warning", dir: "auto", text }));
  const reason = cell.reason ? make("p", { class: "note failure", dir: "auto", text: cell.reason }) : null;
  fill(element.querySelector(".inside"), reason, ...notes, table([], rows, false));
}

export function showKind(element, cell, kind) {
  element.querySelector("h3").textContent = cell ? `Kind: ${cell.kind}` : "Kind";
  const inside = element.querySelector(".inside");
  if (!cell) {
    fill(inside);
    return;
  }
  if (!kind) {
    fill(inside, make("p", { class: "dim", text: "This version of the program does not know this kind." }));
    return;
  }
  const paragraphs = kind.text.split(/\n\s*\n/).map(paragraph);
  const ports = kind.ports.map((port) => [port.name, `${port.takes}${port.required ? "" : ", optional"} — ${port.doc}`]);
  const parameters = kind.parameters.map((one) => [
    one.name,
    `${one.values}${one.unit && !one.values.includes(one.unit) ? `, in ${one.unit}` : ""}${one.doc ? ` — ${one.doc}` : ""}`,
  ]);
  fill(
    inside,
    ...paragraphs,
    ports.length ? make("h4", { text: "Inputs" }) : null,
    ports.length ? table([], ports, false) : null,
    parameters.length ? make("h4", { text: "Parameters" }) : null,
    parameters.length ? table([], parameters, false) : null,
    kind.source ? make("p", { class: "dim", text: `Source of the maths: ${kind.source}` }) : null,
  );
}

// A paragraph, or a list where its lines begin with a dash.
function paragraph(text) {
  const items = text.split(/\n(?=\s*- )/);
  if (!items.every((item) => /^\s*- /.test(item)) && items.length < 2) return make("p", { class: "doc" }, ...marked(text));
  const before = /^\s*- /.test(items[0]) ? [] : [make("p", { class: "doc" }, ...marked(items.shift()))];
  const list = items.map((item) => make("li", {}, ...marked(item.replace(/^\s*- /, ""))));
  return make("div", { class: "doc" }, ...before, make("ul", {}, ...list));
}

// Text with `code` and *emphasis* between their marks.
function marked(text) {
  const emphasised = (part) => part.split(/\*([^*\n]+)\*/).map((one, k) => (k % 2 ? make("em", { text: one }) : one));
  return text.split("`").flatMap((part, k) => (k % 2 ? [make("code", { text: part })] : emphasised(part)));
}
