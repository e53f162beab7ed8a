// The sheet of one node: its picture, how it is looked at, what it is held against, and its readings.
import { byId, fill, make } from "./dom.js";
import { comparedChannels, differencePainter, largestDifference } from "./difference.js";
import { cellOf, comparedOf, feeds, latest, names, sideOf, sides, takers, twoStates } from "./graph.js";
import { brief, ordinal, signed, whole } from "./numbers.js";
import { pictureOf, valueAt } from "./picture.js";
import { head, pieceJson } from "./pieces.js";
import { showProbe } from "./probe.js";
import { ABSENT, showKind, showParameters, showPicture, showValues } from "./readings.js";
import { rowPainter, waysToLook } from "./shading.js";
import { Stage } from "./stage.js";
import { viewOf } from "./view.js";

const MODES = [
  ["one", "alone"],
  ["wipe", "wipe"],
  ["difference", "difference"],
];

const state = {
  step: 0,
  node: 0,
  side: latest,
  layer: 0,
  way: "",
  stops: 0,
  checker: false,
  bad: true,
  held: null, // { node, side } that the opened picture is held against
  guessed: false, // whether that was not chosen
  mode: "one",
  split: 0.5,
  gain: 0,
  spot: null,
  pinned: false,
};

// What is on the stage: the opened picture, and the one it is held against.
let open = [];
let turn = 0;
let stage = null;
let heard = { step: () => {} };

const sheet = () => byId("sheet");
export const isOpen = () => sheet().open;

export function openSheet(node, step) {
  // Between two states, another node is held against its own other state again.
  if (twoStates && state.guessed && node !== state.node) Object.assign(state, { held: null, guessed: false });
  Object.assign(state, { node, step, side: sideOf(step, node, state.side), layer: 0 });
  if (!sheet().open) {
    if (twoStates && state.held === null) state.mode = "one";
    sheet().showModal();
    stage.resize();
    stage.element.focus({ preventScroll: true });
  }
  return refresh();
}

export function goTo(node) {
  return openSheet(node, state.step);
}

export const walk = (direction) => {
  const node = state.node + direction;
  if (node >= 0 && node < names.length) goTo(node);
};

export function setStep(step) {
  state.step = step;
  byId("sheet-step").value = String(step);
  byId("sheet-step-label").textContent = head.steps[step].label;
  return isOpen() ? refresh() : null;
}

// -- what is held against what -------------------------------------------------------------------------------------

function heldKey() {
  return state.held ? `${state.held.side}/${state.held.node}` : "";
}

export function holdThis() {
  if (holdsOpened()) state.held = null;
  else state.held = { node: state.node, side: state.side };
  state.guessed = false;
  if (state.held === null) state.mode = "one";
  return refresh();
}

const holdsOpened = () => state.held !== null && state.held.node === state.node && state.held.side === state.side;

// The picture that is held, unless it is the opened one; in a page of two states, the other state of the same node
// where none is chosen.
function partner() {
  if (state.held && !holdsOpened()) return state.held;
  if (!twoStates) return null;
  const side = 1 - state.side;
  return cellOf(state.step, side, state.node) ? { node: state.node, side } : null;
}

export function setMode(mode) {
  state.mode = mode;
  if (mode !== "one" && partner() === null) {
    const source = nearestAlike();
    if (source === undefined) state.mode = "one";
    else Object.assign(state, { held: { node: source, side: sideOf(state.step, source, state.side) }, guessed: true });
  }
  return refresh();
}

// What a node is held against where nothing is chosen: what it was made from, of the same type if there is such.
function nearestAlike() {
  const type = (node) => cellOf(state.step, sideOf(state.step, node, state.side), node)?.type;
  const near = [...feeds(state.node), ...takers(state.node)];
  const own = type(state.node);
  return near.find((node) => type(node) === own) ?? near[0];
}

export const nextMode = () => setMode(MODES[(MODES.findIndex(([mode]) => mode === state.mode) + 1) % MODES.length][0]);

const titleOf = ({ node, side }) => (twoStates ? `${names[node]}, ${sides[side]}` : names[node]);

// -- filling the sheet ---------------------------------------------------------------------------------------------

async function loadPicture({ node, side }, layer, wishedName) {
  const cell = cellOf(state.step, side, node);
  if (!cell) return null;
  const detail = await pieceJson(cell.detail);
  if (!detail.layers || !detail.layers.length) return { cell, detail, picture: null };
  const byName = wishedName === undefined ? -1 : detail.layers.findIndex((one) => one.name === wishedName);
  const number = Math.min(byName >= 0 ? byName : layer, detail.layers.length - 1);
  return { cell, detail, number, picture: await pictureOf(cell.detail, detail, number) };
}

async function refresh() {
  turn += 1;
  const own = turn;
  const here = { node: state.node, side: state.side };
  const cell = cellOf(state.step, state.side, state.node);
  showHead(cell);
  const other = partner();
  sheet().dataset.loading = "true";
  setTimeout(() => {
    if (own === turn && sheet().dataset.loading === "true") note("unpacking …");
  }, 200);
  stage.element.setAttribute("aria-busy", "true");
  try {
    const first = await loadPicture(here, state.layer);
    if (own !== turn) return;
    if (first?.picture) {
      const ways = waysToLook(first.picture.layer);
      if (!ways.some(({ key }) => key === state.way)) state.way = ways[0].key;
    }
    showControls(first, other);
    await showReadings(cell, first);
    if (own !== turn) return;
    const compare = state.mode !== "one" && other;
    const second = compare ? await loadPicture(other, state.layer, first?.picture?.layer.name) : null;
    if (own !== turn) return;
    open = [];
    if (first?.picture) open.push({ title: titleOf(here), side: here.side, ...first });
    if (first?.picture && second?.picture) open.push({ title: titleOf(other), side: other.side, ...second });
    await paint();
  } catch (error) {
    if (own === turn) note(`This picture cannot be unpacked: ${error.message}`);
    throw error;
  } finally {
    if (own === turn) {
      sheet().dataset.loading = "false";
      stage.element.removeAttribute("aria-busy");
    }
  }
}

function showHead(cell) {
  byId("sheet-name").textContent = names[state.node];
  const words = [`${state.node + 1} of ${names.length}`, cell?.kind, cell?.type, cell?.about].filter(Boolean);
  byId("sheet-what").textContent = words.join(" · ");
  const link = (node) => make("button", { type: "button", class: "link", dir: "auto", text: names[node], onclick: () => goTo(node) });
  const inputs = feeds(state.node);
  const outputs = takers(state.node);
  const [earlier, later] = [byId("earlier"), byId("later")];
  const left = byId("flow").contains(document.activeElement);
  const pressed = [earlier, later].find((button) => button === document.activeElement);
  fill(
    byId("flow"),
    make("div", {}, make("span", { class: "dim", text: inputs.length ? "from" : "from nothing: it begins here" }), ...inputs.map(link)),
    make("div", {}, make("span", { class: "dim", text: outputs.length ? "to" : "to nothing: it ends here" }), ...outputs.map(link)),
  );
  earlier.disabled = state.node === 0;
  later.disabled = state.node === names.length - 1;
  // What had the focus is gone, or cannot have it any more.
  if (left || pressed?.disabled) stage.element.focus({ preventScroll: true });
}

// Radio buttons; where one of the old ones had the focus, the chosen one of the new ones has it.
function choices(field, name, items, chosen, pick) {
  const legend = field.querySelector("legend");
  const focused = field.contains(document.activeElement);
  const radios = items.map(({ key, label, disabled }) =>
    make(
      "label",
      { class: "choice" },
      make("input", { type: "radio", name, value: key, checked: key === chosen, disabled, onchange: () => pick(key) }),
      make("span", { text: label }),
    ),
  );
  fill(field, legend, ...radios);
  if (focused) (field.querySelector("input:checked") ?? stage.element).focus({ preventScroll: true });
}

function showControls(first, other) {
  const layers = first?.detail.layers ?? [];
  const layer = layers[first?.number ?? 0];
  byId("layer-field").hidden = layers.length < 2;
  const titles = layers.map((one, k) => {
    const twins = layers.filter((two) => two.name === one.name).length > 1;
    const title = one.name || (one.view === "planes" ? one.channels.join(" ") : "main picture");
    return make("option", { value: k, text: twins && one.name ? `${title} (${one.view})` : title });
  });
  fill(byId("layer"), ...titles);
  byId("layer").value = String(first?.number ?? 0);
  const ways = layer ? waysToLook(layer) : [];
  byId("channels").hidden = ways.length < 2;
  choices(byId("channels"), "way", ways, state.way, (key) => setWay(key));
  byId("sides").hidden = !twoStates;
  const states = sides.map((label, side) => ({ key: String(side), label, disabled: !cellOf(state.step, side, state.node) }));
  choices(byId("sides"), "side", states, String(state.side), (key) => {
    state.side = Number(key);
    refresh();
  });
  byId("checker-field").hidden = !(layer && layer.view === "colour" && layer.alpha !== "none");
  byId("stops-field").hidden = !layer || layer.view === "ids";
  byId("stops-field").querySelector("span").firstChild.textContent = layer && layer.view === "colour" ? "exposure " : "gain ";
  showAgainst(other);
  const comparing = state.mode !== "one" && other !== null;
  byId("wipe-field").hidden = !(comparing && state.mode === "wipe");
  byId("gain-field").hidden = !(comparing && state.mode === "difference");
  const modes = MODES.map(([key, label]) => ({ key, label }));
  choices(byId("modes"), "mode", modes, comparing ? state.mode : "one", setMode);
}

function showAgainst(other) {
  const select = byId("against");
  const options = [make("option", { value: "", text: twoStates ? "its other state" : "nothing yet" })];
  sides.forEach((label, side) => {
    const group = names
      .map((name, node) => ({ name, node }))
      .map(({ name, node }) => ({ name, node, opened: node === state.node && side === state.side }))
      .filter(({ node, opened }) => (opened ? holdsOpened() : cellOf(state.step, side, node)?.state === "done"))
      .map(({ name, node, opened }) => make("option", { value: `${side}/${node}`, text: opened ? `${name} (this one)` : name }));
    options.push(...(twoStates ? [make("optgroup", { label }, ...group)] : group));
  });
  fill(select, ...options);
  select.value = heldKey();
  if (select.selectedIndex < 0) select.value = "";
}

async function showReadings(cell, first) {
  const layer = first?.picture?.layer ?? null;
  const detail = first?.detail ?? { parameters: {}, channels: {}, type: "" };
  const kinds = await pieceJson(head.kinds);
  const kind = cell ? kinds[cell.kind] : null;
  showValues(byId("reading-values"), detail, layer, state.way);
  showParameters(byId("reading-parameters"), detail, kind, comparedOf(state.step, state.node)?.changes);
  showPicture(byId("reading-state"), cell, detail, layer);
  showKind(byId("reading-kind"), cell, kind);
}

// -- painting ------------------------------------------------------------------------------------------------------

async function painterOf({ detail, picture }) {
  const view = picture.layer.table ? await viewOf(picture.layer.table) : null;
  const ways = waysToLook(picture.layer);
  const way = ways.some(({ key }) => key === state.way) ? state.way : ways[0].key;
  return rowPainter(picture, view, { way, stops: state.stops, checker: state.checker, bad: state.bad }, detail.channels);
}

async function paint() {
  const own = turn;
  const [first, second] = open;
  stage.split = null;
  if (!first) {
    const cell = cellOf(state.step, state.side, state.node);
    for (const surface of stage.surfaces) surface.clear();
    note(cell ? cell.reason || "There is no picture." : ABSENT);
    stage.request();
    showProbe(byId("probe"), null, []);
    return;
  }
  stage.setFrame(first.picture.frame);
  if (second && state.mode === "difference") {
    const { paint: painter, window } = differencePainter(first.picture, second.picture, state.way, state.gain);
    stage.surfaces[0].paint(painter, window);
    stage.surfaces[1].clear();
    noteDifference(first.picture, second.picture);
  } else {
    // Before stands left of after, whichever was opened.
    const [left, right] = second && second.side < first.side ? [second, first] : [first, second];
    const painters = [await painterOf(left), right ? await painterOf(right) : null];
    if (own !== turn) return;
    stage.surfaces[0].paint(painters[0], left.picture.window);
    if (right) stage.surfaces[1].paint(painters[1], right.picture.window);
    else stage.surfaces[1].clear();
    stage.split = right ? state.split : null;
    note(right ? `left: ${left.title} · right: ${right.title}` : "");
  }
  stage.request();
  point();
}

function note(text) {
  byId("stage-note").textContent = text;
  byId("stage-note").hidden = !text;
}

function noteDifference(first, second) {
  const found = largestDifference(first, second, state.way);
  const element = byId("stage-note");
  element.hidden = false;
  if (!found.looked && [first, second].every(({ window }) => window.width < 1 || window.height < 1)) {
    fill(element, "no difference: both data windows are empty");
    return;
  }
  if (!found.looked) {
    fill(element, "The true values that the page holds of these two are not of the same pixels.");
    return;
  }
  const channels = comparedChannels(first, second, state.way).flat();
  const step = Math.max(...channels.map((one) => one.step));
  const half = channels.some((one) => one.rung === "half") ? ", rounded to half" : "";
  const among = step > 1 ? ` among true values of every ${ordinal(step)} pixel, which are shown${half}` : half;
  if (found.size === 0) {
    fill(element, `no difference${among}`);
    return;
  }
  const words = first.channels.some((one) => one.ids) ? "ids differ, first" : `largest difference ${brief(found.size)} in ${found.channel}`;
  const jump = make("button", {
    type: "button",
    class: "link",
    text: `${words}, at ${found.x}, ${found.y}`.replaceAll("-", "−"),
    onclick: () => {
      state.spot = { x: found.x, y: found.y };
      state.pinned = true;
      stage.zoomTo(Math.max(stage.zoom, 8), { x: found.x + 0.5, y: found.y + 0.5 });
      stage.centre = { x: found.x + 0.5, y: found.y + 0.5 };
      point(true);
    },
  });
  fill(element, jump, `${among}; ${whole(found.different)} of ${whole(found.looked)} values differ`);
}

// -- the probe -----------------------------------------------------------------------------------------------------

function point(follow = false) {
  const channel = open[0]?.picture.channels[0];
  const nearest = channel && state.spot ? valueAt(open[0].picture, channel, state.spot.x, state.spot.y) : null;
  stage.pinned = state.pinned;
  stage.kept = nearest;
  stage.setSpot(state.spot, follow);
  showProbe(byId("probe"), state.spot, open);
}

export function moveSpot(dx, dy) {
  if (!open.length) return;
  const { frame } = open[0].picture;
  const from = state.spot ?? { x: frame.x + Math.floor(frame.width / 2) - dx, y: frame.y + Math.floor(frame.height / 2) - dy };
  state.spot = { x: from.x + dx, y: from.y + dy };
  point(true);
}

// -- controls ------------------------------------------------------------------------------------------------------

export function setStops(stops) {
  state.stops = Math.min(12, Math.max(-12, stops));
  byId("stops").value = String(state.stops);
  byId("stops-label").textContent = signed(state.stops);
  paint();
}

export const changeStops = (by) => setStops(state.stops + by);

function setWay(way) {
  state.way = way;
  for (const input of byId("channels").querySelectorAll("input")) input.checked = input.value === way;
  if (open[0]) showValues(byId("reading-values"), open[0].detail, open[0].picture.layer, way);
  paint();
}

export function nextWay(direction) {
  if (!open.length) return;
  const ways = waysToLook(open[0].picture.layer);
  const at = ways.findIndex(({ key }) => key === state.way);
  setWay(ways[(at + direction + ways.length) % ways.length].key);
}

export function nextLayer(direction) {
  const count = open[0]?.detail.layers.length ?? 0;
  if (count < 2) return;
  state.layer = (state.layer + direction + count) % count;
  refresh();
}

export function toggle(name) {
  const box = byId(name);
  box.checked = !box.checked;
  box.dispatchEvent(new Event("change"));
}

export function setSplit(split) {
  state.split = Math.min(1, Math.max(0, split));
  byId("wipe").value = String(Math.round(state.split * 1000));
  byId("wipe-label").textContent = `${Math.round(state.split * 100)} %`;
  if (stage.split !== null) {
    stage.split = state.split;
    stage.request();
  }
}

export const moveSplit = (by) => setSplit(state.split + by);

export function setGain(gain) {
  state.gain = Math.min(16, Math.max(0, gain));
  byId("gain").value = String(state.gain);
  byId("gain-label").textContent = `${signed(state.gain)} stops`;
  if (state.mode === "difference") paint();
}

export const changeGain = (by) => setGain(state.gain + by);

export const otherSide = () => {
  if (!twoStates || !cellOf(state.step, 1 - state.side, state.node)) return;
  state.side = 1 - state.side;
  refresh();
};

export const zoomBy = (direction) => stage.zoomStep(direction);
export const zoomOne = () => stage.zoomTo(1);
export const zoomWhole = () => stage.whole();
export const panBy = (dx, dy) => stage.pan(dx, dy);

export function toggleReadings() {
  sheet().classList.toggle("picture-only");
}

export const isDifference = () => state.mode === "difference";

export function startSheet(told) {
  heard = told;
  stage = new Stage(byId("stage"), byId("canvas"), {
    zoomed: (zoom) => {
      const text = zoom >= 1 ? `${zoom.toFixed(zoom % 1 ? 1 : 0)} : 1` : `${Math.round(zoom * 100)} %`;
      byId("zoom-label").textContent = text;
    },
    pointed: (spot) => {
      if (state.pinned) return;
      state.spot = spot;
      point();
    },
    // A click holds the probe where it is, the next one lets it go.
    clicked: (spot) => {
      state.pinned = !state.pinned;
      state.spot = spot;
      point();
    },
    split: setSplit,
  });
  const on = (id, event, act) => byId(id).addEventListener(event, act);
  on("close", "click", () => sheet().close());
  on("earlier", "click", () => walk(-1));
  on("later", "click", () => walk(1));
  on("sheet-step", "input", (event) => heard.step(Number(event.target.value)));
  on("layer", "change", (event) => {
    state.layer = Number(event.target.value);
    refresh();
  });
  on("stops", "input", (event) => setStops(Number(event.target.value)));
  on("whole", "click", zoomWhole);
  on("one", "click", zoomOne);
  for (const name of ["checker", "bad"]) {
    on(name, "change", (event) => {
      state[name] = event.target.checked;
      paint();
    });
  }
  on("against", "change", (event) => {
    const [side, node] = event.target.value.split("/").map(Number);
    state.held = event.target.value ? { side, node } : null;
    state.guessed = false;
    if (state.held === null && !twoStates) state.mode = "one";
    else if (state.mode === "one") state.mode = "wipe";
    refresh();
  });
  on("wipe", "input", (event) => setSplit(Number(event.target.value) / 1000));
  on("gain", "input", (event) => setGain(Number(event.target.value)));
  on("sheet", "close", () => heard.closed(state.node));
  byId("sheet-steps").hidden = head.steps.length < 2;
  setSplit(state.split);
  setGain(0);
}
