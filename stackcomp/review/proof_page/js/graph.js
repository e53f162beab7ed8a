// What is known of the graph: its nodes by number, in the data's order, and who feeds whom.
import { head } from "./pieces.js";

export const names = head.nodes;
export const sides = head.sides;
export const twoStates = sides.length > 1;
export const latest = sides.length - 1;

export const cellOf = (step, side, node) => head.cells[step][side][node];

// The newest state of a node at a step; a node may be in one of the two only.
export function sideOf(step, node, wished = latest) {
  const order = [wished, latest, 0];
  return order.find((side) => cellOf(step, side, node)) ?? latest;
}

export const comparedOf = (step, node) => (head.compared ? (head.compared[step].nodes[node] ?? null) : null);

export const firstDifferent = (step) => (head.compared ? head.compared[step].first : null);

const edges = [...document.querySelectorAll("svg.narrow path:not(.tip)")].map((path) => [
  Number(path.dataset.from),
  Number(path.dataset.to),
]);

export const feeds = (node) => [...new Set(edges.filter(([, to]) => to === node).map(([from]) => from))];
export const takers = (node) => [...new Set(edges.filter(([from]) => from === node).map(([, to]) => to))];
