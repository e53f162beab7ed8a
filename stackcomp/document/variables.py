"""``${name}`` in a graph.

A text that is nothing but ``${name}`` becomes the variable's value, whatever its JSON type; inside a longer
text only texts and numbers can stand. ``$${`` writes a plain ``${``. Nothing is ever evaluated, and what a
variable brings is not looked through for further variables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from graphlib import TopologicalSorter
from typing import Any

from stackcomp.data.cycles import cycles, in_cycles
from stackcomp.errors import Problem, did_you_mean, kind_of, pointer_to

__all__ = ["LARGEST_VALUE", "LONGEST_TEXT", "REFERENCE", "Filling", "reached", "references", "resolve"]

#: A field that is one variable and nothing else.
REFERENCE = r"^\$\{[A-Za-z_][A-Za-z0-9_]*\}$"

#: Longer texts do not come from filling in variables, except by a file that was made to fill the memory.
LONGEST_TEXT = 100_000

#: The same for the number of values in one variable.
LARGEST_VALUE = 100_000

_TOKEN = re.compile(r"\$\$\{|\$\{([^}]*)\}|\$\{")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
#: What no variable can stand in.
_NUMBERS = (int, float)


@dataclass
class Filling:
    """Fills variables into JSON data.

    Attributes:
        names: of all variables, in order.
        known: values by name.
        broken: names of variables that have been complained about and so have no value.
        problems: what was wrong, in the order met; a variable without a value is reported once.
        spoilt: places, key by key, that could not be filled in. What is there now means nothing.
    """

    names: tuple[str, ...] = ()
    known: dict[str, Any] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    spoilt: list[tuple[str, ...]] = field(default_factory=list)
    _unknown: dict[str, int] = field(default_factory=dict)

    def fill(self, raw: Any, place: tuple[str, ...]) -> Any:
        """A copy of the data at a place, with every variable filled in."""
        if isinstance(raw, str):
            return self._text(raw, place) if "${" in raw else raw
        if isinstance(raw, list | tuple):
            # Lists of curves hold many numbers.
            return [
                item if type(item) in _NUMBERS else self.fill(item, (*place, str(k))) for k, item in enumerate(raw)
            ]
        if isinstance(raw, Mapping):
            return {name: self.fill(item, (*place, str(name))) for name, item in raw.items()}
        return raw

    def findings(self) -> list[Problem]:
        """Return the problems, each variable without a value with the number of its uses."""
        uses = [self._unknown.get(p.message, 1) for p in self.problems]
        return [p if count == 1 else replace(p, message=f"{p.message}, here and at {_places(count - 1)}")
                for p, count in zip(self.problems, uses, strict=True)]  # fmt: skip

    def _text(self, text: str, place: tuple[str, ...]) -> Any:
        whole = _TOKEN.fullmatch(text)
        if whole is not None and whole[0] != "$${":
            return self._value(whole[1], text, place)

        def written(match: re.Match[str]) -> str:
            if match[0] == "$${":
                return "${"
            value = self._value(match[1], text, place)
            if isinstance(value, bool) or not isinstance(value, str | int | float):
                self._complain(place, "variable-in-text",
                               f'variable "{match[1]}" is {kind_of(value)}, and stands inside a text',
                               "inside a text a variable is a text or a number")  # fmt: skip
                return ""
            return str(value)

        filled = _TOKEN.sub(written, text)
        if len(filled) > LONGEST_TEXT:
            self._complain(place, "variable-too-large",
                           f"the text becomes {len(filled)} characters long when its variables are filled in",
                           f"the most is {LONGEST_TEXT}")  # fmt: skip
            return ""
        return filled

    def _value(self, name: str | None, text: str, place: tuple[str, ...]) -> Any:
        if name is None or not _NAME.fullmatch(name):
            message = 'holds "${" without "}"' if name is None else f'holds "${{{name}}}", which is not a variable'
            way_out = 'a variable is written ${name}, of letters, digits and _; write "$${" for a plain "${"'
            self._complain(place, "variable-name", f'the text "{text[:60]}" {message}', way_out)
        elif name in self.broken:
            self.spoilt.append(place)
        elif name in self.known:
            return self.known[name]
        else:
            self._without_value(name, place)
        return ""

    def _without_value(self, name: str, place: tuple[str, ...]) -> None:
        message = f'variable "{name}" has no value'
        if message in self._unknown:
            self._unknown[message] += 1
            self.spoilt.append(place)
            return
        self._unknown[message] = 1
        near = did_you_mean(name, self.names)
        joint = "" if not near else " Or " if near.endswith("?") else ", or "
        ways = f'give it one under "variables", with --variables FILE or with --set {name}=…'
        self._complain(place, "variable-unknown", message, f"{near}{joint}{ways}")

    def _complain(self, place: tuple[str, ...], rule: str, message: str, way_out: str) -> None:
        self.spoilt.append(place)
        in_node = place[:1] == ("nodes",) and len(place) > 1
        node, rest = (place[1], place[2:]) if in_node else ("", place)
        self.problems.append(
            Problem(rule, message, way_out, node=node, field=".".join(rest), pointer_override=pointer_to(place))
        )


def _places(count: int) -> str:
    return "1 other place" if count == 1 else f"{count} other places"


def resolve(variables: Mapping[str, Any]) -> Filling:
    """Variables with their references to each other filled in, ready to be filled into a graph."""
    filling = Filling(tuple(variables))
    used = {
        name: [other for other in _references(value) if other in variables] for name, value in variables.items()
    }
    for path in cycles(used):
        filling.problems.append(
            Problem("variable-cycle", f"cycle in the variables: {' → '.join(path)}",
                    "give one of them a plain value", field=f"variables.{path[0]}")
        )  # fmt: skip
    filling.broken = in_cycles(used)
    free = {name: others for name, others in used.items() if name not in filling.broken}
    for name in TopologicalSorter(free).static_order():
        if name in filling.broken:
            continue
        place, spoilt = ("variables", name), len(filling.spoilt)
        value = filling.fill(variables[name], place)
        if len(filling.spoilt) > spoilt:
            filling.broken.add(name)
        elif not _NAME.fullmatch(name):
            filling._complain(place, "variable-name", f'the variable "{name[:60]}" can never be used',
                              "the names of variables are of letters, digits and _")  # fmt: skip
        elif _leaves(value) > LARGEST_VALUE:
            filling._complain(place, "variable-too-large", f'variable "{name}" holds too many values',
                              f"the most is {LARGEST_VALUE}")  # fmt: skip
            filling.broken.add(name)
        else:
            filling.known[name] = value
    filling.spoilt.clear()
    return filling


def reached(raw: Mapping[str, Any], given: Mapping[str, Any]) -> set[str]:
    """Names of variables that a graph has or uses, those that given values use among them.

    Args:
        raw: the graph's JSON object, variables not yet filled in.
        given: values from outside.
    """
    own = raw.get("variables", {})
    waiting = [*(own if isinstance(own, Mapping) else ()), *_references(raw)]
    names: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name not in names:
            names.add(name)
            waiting += _references(given.get(name))
    return names


def references(raw: Any) -> set[str]:
    """Names of the variables that a value refers to."""
    return set(_references(raw))


def _references(raw: Any) -> Iterator[str]:
    """Names of the variables that a value refers to."""
    waiting = [raw]
    while waiting:
        item = waiting.pop()
        if isinstance(item, str):
            yield from (match[1] for match in _TOKEN.finditer(item) if match[1] is not None)
        elif isinstance(item, list | tuple):
            waiting += [part for part in item if type(part) not in _NUMBERS]
        elif isinstance(item, Mapping):
            waiting += item.values()


def _leaves(raw: Any) -> int:
    """How many values there are in JSON data; counting stops beyond the limit."""
    count, waiting = 0, [raw]
    while waiting and count <= LARGEST_VALUE:
        item = waiting.pop()
        count += 1
        if isinstance(item, Mapping):
            waiting += item.values()
        elif isinstance(item, list | tuple):
            waiting += item
    return count
