// The drawn graph: what stands in the boxes at a step, moving between them, and the wires of one of them.
import { byId, fill, make } from "./dom.js";
import { cellOf, comparedOf, feeds, firstDifferent, latest, names, sideOf, sides, takers, twoStates } from "./graph.js";
import { duration, whole } from "./numbers.js";
import { head, pieceUrl } from "./pieces.js";

export const boxes = names.map((_, node) => byId(`n${node}`));

const plural = (count, word) => `${whole(count)} ${word}${count === 1 ? "" : "s"}`;

let shownStep = 0;

export function showStep(step) {
  const initial = step === shownStep && step === 0;
  shownStep = step;
  const newest = names.map((_, node) => cellOf(step, sideOf(step, node), node));
  const slowest = Math.max(1e-9, ...newest.map((cell) => cell?.seconds ?? 0));
  names.forEach((name, node) => showBox(step, node, newest[node], slowest, initial));
  for (const note of document.querySelectorAll("#notes [data-step]")) note.hidden = Number(note.dataset.step) !== step;
  showSummary(step, newest);
}

function showBox(step, node, cell, slowest, initial) {
  const box = boxes[node];
  sides.forEach((_, side) => {
    const own = cellOf(step, side, node);
    const picture = box.querySelector(`[data-side="${side}"]`);
    const image = picture.querySelector("img");
    picture.dataset.state = own ? own.state : "absent";
    picture.querySelector(".reason").textContent = own ? own.reason : twoStates ? "not in this graph" : "not in this frame";
    if (!initial || !image.getAttribute("src")) showThumb(image, own?.thumb ?? null, step);
    image.hidden = !own || own.thumb === null || own.thumb === undefined;
  });
  box.querySelector(".kind").textContent = cell?.kind ?? "";
  box.querySelector(".time").textContent = duration(cell?.seconds);
  box.querySelector(".about").textContent = cell?.about ?? "";
  box.querySelector("rect").setAttribute("width", String((100 * (cell?.seconds ?? 0)) / slowest));
  box.dataset.state = cell ? cell.state : "absent";
  const marks = [];
  const compared = comparedOf(step, node);
  const first = firstDifferent(step) === node;
  box.classList.toggle("first-different", first);
  if (first) marks.push(make("span", { class: "mark first", text: "first that differs" }));
  if (compared && compared.state === "first") marks.push(make("span", { class: "mark", text: "removed" }));
  else if (compared && compared.state === "second") marks.push(make("span", { class: "mark", text: "added" }));
  else if (compared && compared.state === "unfinished") marks.push(make("span", { class: "mark", text: "not compared" }));
  else if (compared && !compared.equal && !first) marks.push(make("span", { class: "mark", text: "differs" }));
  else if (compared && compared.equal) marks.push(make("span", { class: "mark same", text: "equal" }));
  if (compared && compared.changes.length) {
    marks.push(make("span", { class: "mark", dir: "auto", text: `changed: ${compared.changes.map(([name]) => name).join(", ")}` }));
  }
  if (cell?.state === "failed") marks.push(make("span", { class: "mark failure", text: "failed" }));
  if (cell?.warnings.length) marks.push(make("span", { class: "mark warning", dir: "auto", title: cell.warnings.join("\n"), text: cell.warnings[0] }));
  fill(box.querySelector(".marks"), ...marks);
  const told = [names[node], cell?.kind, cell?.type, ...marks.map((mark) => mark.textContent), cell?.reason].filter(Boolean);
  box.setAttribute("aria-label", told.join(", "));
}

async function showThumb(image, piece, step) {
  if (piece === null) return;
  const url = await pieceUrl(piece);
  if (step === shownStep) image.src = url;
}

function showSummary(step, newest) {
  const dump = head.steps[step].dumps[latest] ?? head.steps[step].dumps[0];
  const seconds = newest.reduce((sum, cell) => sum + (cell?.seconds ?? 0), 0);
  const warnings = newest.reduce((sum, cell) => sum + (cell?.warnings.length ?? 0), 0) + dump.warnings.length;
  const parts = [dump.graph, `frame ${head.steps[step].label}`, plural(names.length, "node"), `${duration(seconds)} in all`];
  if (dump.scale !== 1 && dump.scale !== null) parts.push(`scale ${dump.scale}`);
  if (warnings) parts.push(plural(warnings, "warning"));
  if (dump.failed) parts.push(`failed at ${dump.failed.node}`);
  if (twoStates) {
    const first = firstDifferent(step);
    const alone = sides.filter((_, side) => head.steps[step].dumps[side]);
    if (alone.length < sides.length) parts.push(`only ${alone[0]} has this frame`);
    else parts.push(first === null ? "before and after are equal" : `first that differs: ${names[first]}`);
  }
  byId("summary").textContent = parts.filter(Boolean).join(" · ");
  const cells = head.cells.flat(2).filter(Boolean);
  const rough = cells.filter((cell) => cell.rung === "grid").length;
  const half = cells.filter((cell) => cell.rung === "half").length;
  const told = [];
  if (half) told.push(`${plural(half, "picture")} rounded to half`);
  if (rough) told.push(`${plural(rough, "picture")} with true values of a grid of pixels`);
  byId("foot").textContent = told.length ? `${told.join(", ")}; the rest bit by bit` : "every value in this page is that of its OpenEXR file, bit by bit";
}

// -- moving ------------------------------------------------------------------------------------------------------

export const focused = () => boxes.indexOf(document.activeElement);

export function focusBox(node) {
  if (!boxes.length) return;
  boxes[node].focus({ preventScroll: true });
  boxes[node].scrollIntoView({ block: "nearest", inline: "nearest" });
}

// The nearest box in a direction; what is straight ahead counts as nearer than what is aside.
export function focusTowards(dx, dy) {
  const from = focused();
  if (from < 0) return focusBox(0);
  const middle = (box) => {
    const { left, top, width, height } = box.getBoundingClientRect();
    return [left + width / 2, top + height / 2];
  };
  const [x, y] = middle(boxes[from]);
  let best = null;
  boxes.forEach((box, node) => {
    const [bx, by] = middle(box);
    const ahead = (bx - x) * dx + (by - y) * dy;
    const aside = Math.abs((bx - x) * dy) + Math.abs((by - y) * dx);
    if (node === from || ahead < 8 || (dx && aside > 40)) return;
    const far = ahead + 2 * aside;
    if (best === null || far < best.far) best = { node, far };
  });
  return best && focusBox(best.node);
}

function light(node) {
  const near = new Set(node < 0 ? [] : [...feeds(node), ...takers(node)]);
  boxes.forEach((box, other) => box.classList.toggle("near", near.has(other)));
  for (const path of document.querySelectorAll("svg.wires path")) {
    const on = node >= 0 && (Number(path.dataset.from) === node || Number(path.dataset.to) === node);
    path.classList.toggle("lit", on);
    if (on) path.parentNode.append(path);
  }
}

export function watchBoard(open) {
  boxes.forEach((box, node) => {
    box.addEventListener("click", () => open(node));
    box.addEventListener("focus", () => light(node));
    box.addEventListener("blur", () => light(-1));
    box.addEventListener("pointerenter", () => light(node));
    box.addEventListener("pointerleave", () => light(focused()));
  });
  const find = byId("find");
  const found = () => {
    const text = find.value.trim().toLowerCase();
    const hits = names.map((name, node) => [name, cellOf(shownStep, sideOf(shownStep, node), node)?.kind ?? ""].some((one) => one.toLowerCase().includes(text)));
    boxes.forEach((box, node) => box.classList.toggle("aside", text !== "" && !hits[node]));
    return hits.indexOf(true);
  };
  find.addEventListener("input", () => {
    const node = found();
    if (find.value.trim() && node >= 0) boxes[node].scrollIntoView({ block: "center", inline: "nearest" });
  });
  find.addEventListener("keydown", (event) => {
    if (event.key === "Enter") {
      // Otherwise the box that gets the focus would take the key as well.
      event.preventDefault();
      const node = found();
      if (node >= 0) focusBox(node);
    } else if (event.key === "Escape") {
      find.value = "";
      found();
      find.blur();
    }
  });
}
