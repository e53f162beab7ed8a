"""What an SVG file draws, as a tree of groups and shapes alone.

Copies (``use``), symbols, drawings inside the drawing and choices (``switch``) become groups with a transform,
lengths become numbers in user units, and what is not drawn is left out.

Source: SVG 2 (W3C), sections 5 (structure), 8 (viewports, units) and 10 (basic shapes).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree.ElementTree import Element

from stackcomp.errors import FileError, cut
from stackcomp.files.svg_data import path_mistake, plain_path, points_mistake, transform_mistake
from stackcomp.files.svg_view import Viewport, box_of, fitted, is_align, length

__all__ = ["NAMESPACE", "drawn_tree"]

NAMESPACE = "{http://www.w3.org/2000/svg}"
_XLINK = "{http://www.w3.org/1999/xlink}href"
_NO_SHAPES = ("text", "image", "foreignObject", "video", "audio", "iframe", "canvas")
_NOT_APPLIED = ("clip-path", "mask", "filter")
#: Lengths of each shape, and what a share of them is a share of: width, height, or both (their quadratic mean).
_LENGTHS = {
    "rect": {"x": "w", "y": "h", "width": "w", "height": "h", "rx": "w", "ry": "h"},
    "circle": {"cx": "w", "cy": "h", "r": "b"},
    "ellipse": {"cx": "w", "cy": "h", "rx": "w", "ry": "h"},
    "line": {"x1": "w", "y1": "h", "x2": "w", "y2": "h"},
    "polyline": {},
    "polygon": {},
    "path": {},
}
#: Elements that a file may draw, with all copies, and how deep they may stand in each other.
_MOST, _DEEPEST = 50_000, 100


def drawn_tree(
    path: Path, root: Element, viewport: Viewport
) -> tuple[list[Element], list[tuple[str, frozenset[str]]]]:
    """The groups and shapes that a file draws, and what is drawn and left out.

    Args:
        path: the file, for messages.
        root: its ``svg`` element.
        viewport: its size in user units.

    Returns:
        the elements; and what is no shape, or would change what is seen of shapes, in words, each with the ids of
        it and of the groups around it.

    Raises:
        FileError: a length that cannot be used, more elements than any drawing, copies that draw themselves.
    """
    ids: dict[str, Element] = {}
    for element in root.iter():
        if name := element.get("id"):
            ids.setdefault(name, element)
    tree = _Tree(path, ids)
    sheets = " ".join("".join(element.itertext()) for element in root.iter() if _tag(element) == "style")
    for word in _NOT_APPLIED:
        if re.search(rf"[{{;\s]{word}\s*:\s*(?!none)\w", sheets):
            tree.left_out.append((f"the {word} of the style sheet", frozenset()))
    drawn = [made for child in root if (made := tree.drawn(child, viewport, frozenset(), ())) is not None]
    return drawn, list(dict.fromkeys(tree.left_out))


@dataclass
class _Tree:
    path: Path
    ids: dict[str, Element]
    left_out: list[tuple[str, frozenset[str]]] = field(default_factory=list)
    count: int = 0

    def drawn(
        self, element: Element, viewport: Viewport, around: frozenset[str], inside: tuple[Element, ...]
    ) -> Element | None:
        """One element as it is drawn; None where nothing is."""
        tag, name = _tag(element), element.get("id", "")
        if not tag or _property(element, "display") == "none":
            return None
        self.count += 1
        if self.count > _MOST:
            raise FileError(self.path, f"it draws more than {_MOST} elements", "use fewer copies, or fewer shapes")
        if len(inside) >= _DEEPEST:
            raise FileError(self.path, f"its groups stand more than {_DEEPEST} deep", "take groups apart")
        names = around | {name} if name else around
        label = f'{tag} "{cut(name, 40)}"' if name else tag
        if tag in _NO_SHAPES:
            self.left_out.append((label, names))
            return None
        if tag not in _LENGTHS and tag not in ("g", "a", "svg", "switch", "use"):
            return None
        for word in _NOT_APPLIED:
            if _property(element, word) not in ("", "none"):
                self.left_out.append((f"the {word} of {label}", names))
        if where := transform_mistake(_property(element, "transform")):
            self._refuse("transform", label, where)
        deeper = (*inside, element)
        if tag in _LENGTHS:
            return self._shape(element, tag, label, viewport)
        if tag == "use":
            return self._copy(element, label, viewport, names, deeper)
        if tag == "svg":
            return self._viewed(element, element, label, viewport, names, deeper)
        children = list(element)
        if tag == "switch":
            children = [child for child in children if _tag(child) and not child.get("requiredExtensions")][:1]
        return self._group(element, children, viewport, names, deeper, _property(element, "transform"))

    def _group(
        self, element: Element, children: list[Element], viewport: Viewport, names: frozenset[str],
        inside: tuple[Element, ...], transform: str,
    ) -> Element:  # fmt: skip
        kept = ("id", "class", "style", "fill-rule", "visibility")
        group = Element(f"{NAMESPACE}g", {key: element.attrib[key] for key in kept if key in element.attrib})
        if transform.strip():
            # What stands in the style would count instead.
            group.set("style", re.sub(r"(^|;)\s*transform\s*:[^;]*", r"\1", element.get("style", "")))
            group.set("transform", transform)
        for child in children:
            made = self.drawn(child, viewport, names, inside)
            if made is not None:
                group.append(made)
        return group

    def _shape(self, element: Element, tag: str, label: str, viewport: Viewport) -> Element | None:
        made = Element(f"{NAMESPACE}{tag}", element.attrib)
        for key, of in _LENGTHS[tag].items():
            if made.get(key, "").strip() == "auto":
                del made.attrib[key]
            elif key in made.attrib:
                made.set(key, repr(self._length(element, key, label, viewport, of)))
        mistakes = {"d": path_mistake, "points": points_mistake}
        for key, mistake in mistakes.items():
            if where := mistake(made.get(key, "")):
                self._refuse(key, label, where)
        if tag == "path":
            made.set("d", plain_path(made.get("d", "")))
            if not made.get("d", "").strip():
                return None
        return made

    def _copy(
        self, element: Element, label: str, viewport: Viewport, names: frozenset[str], inside: tuple[Element, ...]
    ) -> Element | None:
        href = element.get("href") or element.get(_XLINK) or ""
        target = self.ids.get(href.removeprefix("#")) if href.startswith("#") else None
        if target is None:
            self.left_out.append((f'{label} of "{cut(href, 40)}", which is not in the file', names))
            return None
        if target in inside:
            raise FileError(self.path, f'{label} of "{cut(href, 40)}" draws itself', "delete the copy")
        x, y = (self._length(element, key, label, viewport, of) for key, of in (("x", "w"), ("y", "h")))
        transform = f"{_property(element, 'transform')} translate({x!r} {y!r})"
        group = self._group(element, [], viewport, names, inside, transform)
        if _tag(target) in ("symbol", "svg"):
            named = f'{_tag(target)} "{cut(target.get("id", ""), 40)}"'
            around = names | {target.get("id", "")}
            made = self._viewed(target, element, named, viewport, around, (*inside, target))
        else:
            made = self.drawn(target, viewport, names, inside)
        if made is not None:
            group.append(made)
        return group

    def _viewed(
        self, element: Element, sized: Element, label: str, viewport: Viewport, names: frozenset[str],
        inside: tuple[Element, ...],
    ) -> Element | None:  # fmt: skip
        """A symbol, or a drawing inside the drawing; ``sized`` is what may give width and height."""
        given = {key: sized.get(key) or element.get(key) or "auto" for key in ("width", "height")}
        box = box_of(self.path, element)
        if box is None and "auto" in given.values() and viewport.width is None:
            wide = high = None
        else:
            sides = []
            for key, of in (("width", "w"), ("height", "h")):
                text = "100%" if given[key].strip() == "auto" else given[key]
                sides.append(self._length(Element("svg", {key: text}), key, label, viewport, of))
            wide, high = sides
            if wide <= 0 or high <= 0:
                return None
        transform = _property(element, "transform")
        if _tag(element) == "svg":
            x, y = (self._length(element, key, label, viewport, of) for key, of in (("x", "w"), ("y", "h")))
            transform += f" translate({x!r} {y!r})"
        inner = Viewport(wide, high)
        if box is not None:
            align = element.get("preserveAspectRatio", "xMidYMid meet")
            if not is_align(align):
                raise FileError(
                    self.path, f'the preserveAspectRatio of {label} is "{cut(align, 40)}"', 'write "xMidYMid meet"'
                )
            assert wide is not None
            assert high is not None
            across, down, left, top = fitted(box, align, wide, high)
            transform += f" matrix({across!r} 0 0 {down!r} {left!r} {top!r})"
            inner = Viewport(*box[2:])
        if _property(element, "overflow") not in ("visible", "auto"):
            self.left_out.append((f"the border of {label}", names))
        return self._group(element, list(element), inner, names, inside, transform)

    def _refuse(self, key: str, label: str, where: str) -> None:
        raise FileError(
            self.path, f'the {key} of {label} cannot be read from "{cut(where, 40)}" on', "write the shape again"
        )

    def _length(self, element: Element, key: str, label: str, viewport: Viewport, of: str) -> float:
        wide, high = viewport
        both = None if wide is None or high is None else math.sqrt((wide * wide + high * high) / 2)
        text = element.get(key, "0")
        way_out = "give the file a viewBox" if text.strip().endswith("%") else "write a number without unit"
        try:
            return length(text, {"w": wide, "h": high, "b": both}[of])
        except ValueError:
            raise FileError(self.path, f'the {key} of {label} is "{cut(text, 40)}"', way_out) from None


def _tag(element: Element) -> str:
    """The name of an element of SVG; empty for others."""
    tag = element.tag
    tag = tag.removeprefix(NAMESPACE) if isinstance(tag, str) else ""
    return "" if tag.startswith("{") else tag


def _property(element: Element, word: str) -> str:
    """A property that the element's style or an attribute gives; empty where it gives none."""
    written = re.findall(rf"(?:^|;)\s*{word}\s*:\s*([^;]+)", element.get("style", ""))
    value: str = written[-1] if written else element.get(word, "")
    value = value.replace("!important", "").strip()
    return "" if word == "transform" and value == "none" else value
