
"use strict";
const find = document.getElementById("find");
const kinds = [...document.querySelectorAll("section.kind")];
const links = new Map([...document.querySelectorAll("nav li a")].map((link) => [link.hash.slice(1), link]));
for (const element of document.querySelectorAll(".find, .keys")) element.hidden = false;

const text = new Map(kinds.map((kind) => [kind.id, kind.textContent.toLowerCase()]));
find.addEventListener("input", () => {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  for (const kind of kinds) {
    const shown = words.every((word) => text.get(kind.id).includes(word));
    kind.hidden = !shown;
    links.get(kind.id).parentElement.hidden = !shown;
  }
});

const current = () => {
  const shown = kinds.filter((kind) => !kind.hidden);
  return [shown, shown.findLastIndex((kind) => kind.getBoundingClientRect().top < 40)];
};
const go = (step) => {
  const [shown, at] = current();
  const kind = shown[Math.min(Math.max(at + step, 0), shown.length - 1)];
  if (kind) location.hash = kind.id;
};
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target === find) {
    if (event.key === "Escape") { find.value = ""; find.dispatchEvent(new Event("input")); find.blur(); }
    return;
  }
  if (event.key === "/") { event.preventDefault(); find.focus(); }
  if (event.key === "j") go(1);
  if (event.key === "k") go(-1);
});
const mark = () => {
  const [shown, at] = current();
  for (const link of links.values()) link.removeAttribute("aria-current");
  if (at >= 0) links.get(shown[at].id).setAttribute("aria-current", "true");
};
addEventListener("scroll", mark, { passive: true });
mark();
