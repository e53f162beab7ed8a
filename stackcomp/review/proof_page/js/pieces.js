// The data in the page: what it is told at the start, and numbered pieces that are unpacked when they are needed.
import { byId } from "./dom.js";

export const head = JSON.parse(byId("head").textContent);

const early = new Map();
for (const image of document.querySelectorAll("img[data-piece]")) {
  early.set(Number(image.dataset.piece), image.getAttribute("src"));
}

const parsed = new Promise((done) => {
  if (document.readyState !== "loading") done();
  else document.addEventListener("DOMContentLoaded", () => done(), { once: true });
});

// The text of a piece; pieces stand at the end of the page, which may still be arriving.
export async function pieceText(number) {
  if (early.has(number)) return early.get(number).split(",", 2)[1];
  let element = byId(`p${number}`);
  if (element === null || element.nextElementSibling === null) {
    await parsed;
    element = byId(`p${number}`);
  }
  return element.textContent;
}

export async function pieceUrl(number) {
  return early.get(number) ?? `data:image/jpeg;base64,${await pieceText(number)}`;
}

export async function pieceBytes(number) {
  const text = await pieceText(number);
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const letters = atob(text);
  const bytes = new Uint8Array(letters.length);
  for (let k = 0; k < letters.length; k += 1) bytes[k] = letters.charCodeAt(k);
  return bytes;
}

export async function inflated(number) {
  const stream = new Blob([await pieceBytes(number)]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Response(stream).arrayBuffer();
}

const texts = new Map();

export function pieceJson(number) {
  if (!texts.has(number)) {
    texts.set(number, inflated(number).then((bytes) => JSON.parse(new TextDecoder().decode(bytes))));
  }
  return texts.get(number);
}
