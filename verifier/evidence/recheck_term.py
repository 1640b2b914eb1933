"""Read the term of a certificate before any solver does.

The term comes from disk or from an engine. Pasted unread into a file, a bracket too many could close
the definition it stands in and add commands of its own, so only one well-formed term, over known
symbols and a closed list of operators, is let through. Sorts are left to the solver.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping

# One token: a quoted symbol, a bracket, or anything up to the next space or bracket.
_TOKEN = re.compile(r"\|[^|\\]*\||[()]|[^\s()|;\"]+|\S")
_NUMERAL = re.compile(r"(0|[1-9][0-9]*)(\.[0-9]+)?")
# More digits than any time of a model has; Python refuses to convert much longer ones.
_LONGEST_NUMERAL = 1000
_NAME = re.compile(r"[A-Za-z~!@$%^&*_+=<>.?/-][A-Za-z0-9~!@$%^&*_+=<>.?/-]*")
_OPERATORS = frozenset(
    {"and", "or", "not", "=>", "xor", "=", "distinct", "ite", "<", "<=", ">", ">=", "+", "-", "*", "/",
     "to_real"}
)
_RESERVED = frozenset(
    {"let", "forall", "exists", "match", "par", "!", "_", "as", "assert", "true", "false", "invariant"}
) | _OPERATORS


class NotATerm(Exception):
    """``what`` is wrong with the text, in words for people."""

    def __init__(self, what: str):
        super().__init__(what)
        self.what = what


def read_term(text: str, names: Mapping[str, str]) -> None:
    """Accept one term over ``names`` (section 10, without bars), or raise ``NotATerm``.

    Works without recursion, so deep nesting costs only memory.
    """
    local: Counter[str] = Counter()
    # Work still to do, last first: check a node, or count the names of a `let` in or out.
    work: list[tuple[str, object]] = [("check", _nested(text))]
    while work:
        what, node = work.pop()
        if what == "in":
            local.update(node)
        elif what == "out":
            local.subtract(node)
        elif isinstance(node, str):
            _atom(node, names, local)
        elif node[:1] == ["let"]:
            bound = _bindings(node, names)
            work += [("out", bound), ("check", node[2]), ("in", bound)]
            # Values of bindings do not see the names bound beside them.
            work += [("check", value) for _, value in node[1]]
        else:
            head = node[0] if node else "()"
            if not isinstance(head, str) or head not in _OPERATORS:
                raise NotATerm(f"`{_short(head)}` is not an operator that a certificate may use")
            if len(node) == 1:
                raise NotATerm(f"`{head}` is applied to nothing")
            work += [("check", part) for part in reversed(node[1:])]


def _nested(text: str) -> object:
    """The text as nested lists of tokens: exactly one term, all brackets closed."""
    top: list = []
    open_: list[list] = [top]
    for token in _TOKEN.findall(text):
        if len(open_) == 1 and top:
            raise NotATerm(f"`{_short(token)}` follows after the end of the term")
        if token == "(":
            open_.append([])
            open_[-2].append(open_[-1])
        elif token == ")":
            if len(open_) == 1:
                raise NotATerm("a closing bracket has no opening one")
            open_.pop()
        else:
            open_[-1].append(token)
    if len(open_) > 1:
        raise NotATerm(f"the text ends with {len(open_) - 1} bracket(s) still open")
    if not top:
        raise NotATerm("the text is empty")
    return top[0]


def _bindings(node: list, names: Mapping[str, str]) -> list[str]:
    """The names that a `let` binds."""
    if len(node) != 3 or not isinstance(node[1], list) or not node[1]:
        raise NotATerm("a `let` is not of the form (let ((name term) ...) term)")
    bound = []
    for binding in node[1]:
        if not isinstance(binding, list) or len(binding) != 2 or not isinstance(binding[0], str):
            raise NotATerm("a binding of a `let` is not of the form (name term)")
        name = binding[0]
        if not _NAME.fullmatch(name) or name in _RESERVED or name in names or name in bound:
            raise NotATerm(f"`{_short(name)}` cannot be bound by a `let`")
        bound.append(name)
    return bound


def _atom(token: str, names: Mapping[str, str], local: Mapping[str, int]) -> None:
    if token in ("true", "false") or local.get(token, 0) > 0:
        return
    if _NUMERAL.fullmatch(token):
        if len(token) > _LONGEST_NUMERAL:
            raise NotATerm(f"`{_short(token)}` has more than {_LONGEST_NUMERAL} digits")
        return
    name = token[1:-1] if len(token) > 1 and token[0] == token[-1] == "|" else token
    if name not in names:
        raise NotATerm(f"`{_short(name)}` is not a symbol of this model and property")


def _short(node: object) -> str:
    text = node if isinstance(node, str) else "(...)"
    return text if len(text) <= 60 else text[:57] + "..."
