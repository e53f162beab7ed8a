// Keys of the page, and the list of them.
import { byId, fill, make } from "./dom.js";
import { boxes, focusBox, focusTowards, focused } from "./board.js";
import { twoStates } from "./graph.js";
import { head } from "./pieces.js";
import {
  changeGain,
  changeStops,
  holdThis,
  isDifference,
  isOpen,
  moveSplit,
  moveSpot,
  nextLayer,
  nextMode,
  nextWay,
  otherSide,
  panBy,
  setStops,
  toggle,
  toggleReadings,
  walk,
  zoomBy,
  zoomOne,
  zoomWhole,
} from "./sheet.js";
import { otherTheme } from "./theme.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function keysOf(step) {
  return {
    everywhere: [
      ["t", "dark or light", otherTheme],
      ...(head.steps.length > 1
        ? [
            ["n", "next frame", () => step(1)],
            ["b", "frame before", () => step(-1)],
          ]
        : []),
      ["?", "this list", () => byId("keys").showModal()],
    ],
    graph: [
      ["/", "find a node", () => byId("find").focus()],
      ["j", "next node, in the data's order", () => stepBox(1)],
      ["k", "node before", () => stepBox(-1)],
    ],
    sheet: [
      ["j", "next node, in the data's order", () => walk(1)],
      ["k", "node before", () => walk(-1)],
      ["u", "brighter by a quarter stop", () => changeStops(0.25)],
      ["d", "darker by a quarter stop", () => changeStops(-0.25)],
      ["0", "exposure back to 0", () => setStops(0)],
      ["c", "next channel", () => nextWay(1)],
      ["C", "channel before", () => nextWay(-1)],
      ["l", "next layer", () => nextLayer(1)],
      ["L", "layer before", () => nextLayer(-1)],
      ["+", "larger", () => zoomBy(1)],
      ["-", "smaller", () => zoomBy(-1)],
      ["o", "one to one", zoomOne],
      ["w", "whole picture", zoomWhole],
      ["y", "checker under alpha", () => toggle("checker")],
      ["q", "mark pixels that are not finite", () => toggle("bad")],
      ["h", "hold this picture, or let it go", holdThis],
      ["v", "alone, wipe, difference", nextMode],
      [",", "wipe to the left, or amplify less", () => (isDifference() ? changeGain(-1) : moveSplit(-0.02))],
      [".", "wipe to the right, or amplify more", () => (isDifference() ? changeGain(1) : moveSplit(0.02))],
      ...(twoStates ? [["s", "the other state", otherSide]] : []),
      ["i", "readings on or off", toggleReadings],
    ],
  };
}

function stepBox(direction) {
  focusBox(Math.min(boxes.length - 1, Math.max(0, focused() + direction)));
}

const ALSO = {
  everywhere: [],
  graph: [
    ["arrows", "to the next box that way"],
    ["Enter", "open the node"],
  ],
  sheet: [
    ["click", "holds the probe where it is, or lets it go; dragging moves the picture"],
    ["arrows", "move the probe by a pixel; with Shift by ten; with Alt move the picture"],
    ["Esc", "close"],
  ],
};

function listed(title, name, keys) {
  const rows = [...ALSO[name], ...keys].map(([key, text]) => make("tr", {}, make("th", { scope: "row" }, make("kbd", { text: key })), make("td", { text })));
  return make("section", {}, make("h3", { text: title }), make("table", {}, make("tbody", {}, ...rows)));
}

const isTyping = (target) => target instanceof HTMLElement && (target.matches("select, textarea, input:not([type=range], [type=radio], [type=checkbox])") || target.isContentEditable);

function arrow(event) {
  const [dx, dy] = ARROWS[event.key];
  if (!isOpen()) {
    if (focused() < 0 && document.activeElement !== document.body) return false;
    focusTowards(dx, dy);
    return true;
  }
  if (document.activeElement !== byId("stage") && document.activeElement !== byId("sheet")) return false;
  if (event.altKey) panBy(-dx * 80, -dy * 80);
  else moveSpot(dx * (event.shiftKey ? 10 : 1), dy * (event.shiftKey ? 10 : 1));
  return true;
}

export function startKeys(step) {
  const keys = keysOf(step);
  fill(byId("keys-list"), listed("Everywhere", "everywhere", keys.everywhere), listed("The graph", "graph", keys.graph), listed("A node", "sheet", keys.sheet));
  byId("show-keys").addEventListener("click", () => byId("keys").showModal());
  byId("close-keys").addEventListener("click", () => byId("keys").close());
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || isTyping(event.target) || byId("keys").open) return;
    if (event.key in ARROWS) {
      if (arrow(event)) event.preventDefault();
      return;
    }
    if (event.altKey || !byId("single-keys").checked) return;
    const known = [...keys.everywhere, ...(isOpen() ? keys.sheet : keys.graph)];
    const found = known.find(([key]) => key === event.key) ?? known.find(([key]) => key === "+" && event.key === "=");
    if (found) {
      event.preventDefault();
      found[2]();
    }
  });
}
