"""Variants: a base model and a list of changes (``specs/format.md`` section 3).

Changes are made on the tree, so every node keeps the place it was written at, in whichever file.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable

from verifier.diagnostics import Findings, Spot, did_you_mean
from verifier.language.shape import check_format, keys_of, list_of, text_of
from verifier.language.tree import Entry, Items, Keys, Node, Scalar
from verifier.language.yaml_reader import read_file

_STEP = re.compile(r"(?P<key>[^.\[\]]+)|\[(?P<choice>[^\[\]]*)\]")
_CHOICE = re.compile(r"\s*([^=\s]+)\s*=\s*([^=]*?)(?=\s+[^=\s]+\s*=|\s*$)")
_ACTIONS = ("to", "remove", "append")

Step = tuple[str, int]  # a piece of the path, and its offset in it
Change = Callable[[Node | None, Scalar], Node | None]


def read_model(
    path: str, findings: Findings, cited: Spot | None = None, chain: tuple[str, ...] = ()
) -> tuple[Node | None, tuple[str, ...]]:
    """The tree of a model with the changes of all overlays made, and the files read.

    The tree is None after a diagnostic without which there is nothing to check.
    """
    root = read_file(path, findings, cited)
    if not isinstance(root, Keys) or not ("base" in root or "change" in root):
        return root, (path,)
    keys = keys_of(
        root, findings, "an overlay", must=("format", "base"), may=("change", "says", "crossing")
    )
    check_format(keys, findings)
    base_path = text_of(keys.get("base"), findings, "`base`")
    if base_path is None:
        return None, (path,)
    chain = (*chain, os.path.realpath(path))
    file = os.path.normpath(os.path.join(os.path.dirname(path), base_path.text))
    if os.path.realpath(file) in chain:
        findings.add("LX120", base_path.spot, f"the overlay is its own base through `{file}`")
        return None, (path,)
    if len(chain) > 20:
        findings.add("LX120", base_path.spot, "overlays are nested deeper than 20 levels")
        return None, (path,)
    base, files = read_model(file, findings, base_path.spot, chain)
    if not isinstance(base, Keys):
        return base, (path, *files)
    entries = dict(base.entries)
    for name in ("says", "crossing"):
        if name in keys:
            entries[name] = keys.entries[name]
    tree: Node = Keys(entries, base.spot, base.in_braces)
    for item in list_of(keys.get("change"), findings, "`change`"):
        tree = _changed(tree, item, findings)
    return tree, (path, *files)


def _changed(tree: Node, item: Node, findings: Findings) -> Node:
    keys = keys_of(item, findings, "a change", must=("at",), may=_ACTIONS)
    at = text_of(keys.get("at"), findings, "`at`")
    actions = [name for name in _ACTIONS if name in keys]
    if at is None:
        return tree
    if len(actions) != 1:
        message = "a change has exactly one of `to`, `append` and `remove`"
        findings.add("LX119", keys.spot, message)
        return tree
    action, given = actions[0], keys.get(actions[0])
    if action == "remove" and not (isinstance(given, Scalar) and given.text == "true"):
        findings.add("LX119", given.spot, "`remove` can only be `true`")
        return tree
    steps = [(m.group(0), m.start()) for m in _STEP.finditer(at.text)]
    if "".join(step for step, _ in steps) != at.text.replace(".", ""):
        findings.add("LX119", at.spot, f"`{at.text}` is not a path of keys and [choices]")
        return tree
    try:
        return _walk(tree, steps, at, action, given)
    except _NoSuchPlace as error:
        spot = at.spot_at(error.step[1], len(error.step[0]))
        findings.add("LX119", spot, error.message, mark=error.mark, sees=error.sees)
        return tree


class _NoSuchPlace(Exception):
    def __init__(self, step: Step, message: str, node: Node | None, mark: str = ""):
        super().__init__(message)
        self.step = step
        self.message = message
        self.mark = mark
        self.sees = [(node.place, "looked for here")] if node is not None else []


def _walk(node: Node | None, steps: list[Step], at: Scalar, action: str, given: Node) -> Node:
    """``node`` with the change made at the end of ``steps``; shares what is not changed."""
    if not steps:
        return _acted(node, at, action, given)
    step, rest = steps[0], steps[1:]
    if step[0].startswith("["):
        index = _chosen(node, step)
        items = list(node.items)
        if not rest and action == "remove":
            del items[index]
        else:
            items[index] = _walk(items[index], rest, at, action, given)
        return Items(tuple(items), node.spot)
    if not isinstance(node, Keys):
        raise _NoSuchPlace(step, f"there is no key `{step[0]}`: this is not a mapping", node)
    entries = dict(node.entries)
    name = step[0]
    if name not in entries and (rest or action == "remove"):
        mark = did_you_mean(name, entries)
        raise _NoSuchPlace(step, f"the base has no key `{name}` here", node, mark)
    if not rest and action == "remove":
        del entries[name]
    else:
        known = entries.get(name)
        key = known.key if known else Scalar(name, at.spot_at(step[1], 1).place, name)
        inner = known.value if known else None
        entries[name] = Entry(key, _walk(inner, rest, at, action, given))
    return Keys(entries, node.spot, node.in_braces)


def _acted(node: Node | None, at: Scalar, action: str, given: Node) -> Node:
    if action == "to":
        return given
    if node is None or (isinstance(node, Scalar) and not node.text):
        return Items((given,), at.spot)
    if not isinstance(node, Items):
        raise _NoSuchPlace((at.text, 0), "only a list can be appended to", node)
    return Items((*node.items, given), node.spot)


def _chosen(node: Node | None, step: Step) -> int:
    """The index that ``[2]`` or ``[from=a to=b]`` means in a list."""
    if not isinstance(node, Items):
        raise _NoSuchPlace(step, f"`{step[0]}` needs a list here", node)
    choice = step[0][1:-1].strip()
    if choice.isdecimal() and len(choice) < 10:
        if int(choice) < len(node.items):
            return int(choice)
        message = f"the list has {len(node.items)} entries, numbered from 0"
        raise _NoSuchPlace(step, message, node)
    wanted = dict(_CHOICE.findall(choice))
    if not wanted:
        raise _NoSuchPlace(step, f"`{step[0]}` is neither a number nor `[key=value]`", node)
    fitting = [index for index, item in enumerate(node.items) if _fits(item, wanted)]
    if len(fitting) != 1:
        message = f"{len(fitting) or 'no'} entries of the list fit `{step[0]}`, one is due"
        raise _NoSuchPlace(step, message, node)
    return fitting[0]


def _fits(item: Node, wanted: dict[str, str]) -> bool:
    if not isinstance(item, Keys):
        return False
    for name, text in wanted.items():
        value = item.get(name)
        texts = value.items if isinstance(value, Items) else [value]
        if not any(isinstance(one, Scalar) and one.text == text for one in texts):
            return False
    return True
