"""Properties of a spec pack: their forms by keys, and their guards and bounds filled in.

``specs/format.md`` section 4 and ``specs/semantics.md`` section 7.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from verifier.diagnostics import Findings, did_you_mean
from verifier.language.granting import CLASSES
from verifier.language.model import Form
from verifier.language.shape import keys_of, list_of, text_of
from verifier.language.tree import Items, Keys, Node, Scalar


@dataclass(frozen=True)
class FormKeys:
    """The keys that spell a form: which hold P, Q, R and T ("" for none)."""

    form: Form
    p: str
    q: str = ""
    r: str = ""
    bound: str = ""
    bound_optional: bool = False

    @property
    def must(self) -> frozenset[str]:
        keys = {self.p, self.q, "" if self.bound_optional else self.bound}
        return frozenset(keys - {""})

    @property
    def may(self) -> frozenset[str]:
        keys = {self.r, self.bound if self.bound_optional else ""}
        return frozenset(keys - {""})


@dataclass(frozen=True)
class Under:
    """How many faults a property must bear, and of which classes (4.4); of all when none is named."""

    faults: int = 0
    of: tuple[str, ...] = ()


FORM_KEYS = (
    FormKeys(Form.NEVER, "never"),
    FormKeys(Form.ALWAYS, "always"),
    FormKeys(Form.WHILE, "while", "then"),
    FormKeys(Form.WITHIN, "whenever", "then", "unless", "within"),
    FormKeys(Form.KEEPS, "whenever", "keeps", "unless", "for"),
    FormKeys(Form.EVENTUALLY, "whenever", "eventually", "unless"),
    FormKeys(Form.ONLY_AFTER, "only_after", "can", "since"),
    FormKeys(Form.LASTS_AT_LEAST, "lasts", bound="at_least"),
    FormKeys(Form.LASTS_AT_MOST, "lasts", bound="at_most"),
    FormKeys(Form.HAS_HELD, "has_held", "at", bound="at_least"),
    FormKeys(Form.BETWEEN_AT_LEAST, "between", r="unless", bound="at_least"),
    FormKeys(Form.BETWEEN_AT_MOST, "between", r="unless", bound="at_most"),
    FormKeys(Form.POSSIBLE, "possible", bound="within", bound_optional=True),
)
_ALL_KEYS = frozenset().union(*(form.must | form.may for form in FORM_KEYS))
# Keys of which exactly one names the family of the form.
_LEADS = ("never", "always", "while", "whenever", "only_after", "lasts", "at", "between", "possible")
_HEAD = ("id", "says", "source")
_MORE = ("hazard", "for each", "applies_to", "under")


def property_keys(node: Node, findings: Findings) -> Keys:
    """A property's mapping, with unknown and missing keys reported."""
    may = (*_MORE, *sorted(_ALL_KEYS))
    return keys_of(node, findings, "a property", must=_HEAD, may=may)


def forms_of(keys: Keys, findings: Findings) -> tuple[FormKeys, ...]:
    """The forms a property is written in: one, or two with both ``at_least`` and ``at_most``.

    Empty after an LX405 (keys that do not fit).
    """
    given = frozenset(keys.entries) & _ALL_KEYS
    leads = [lead for lead in _LEADS if lead in given]
    if len(leads) != 1:
        found = f"both `{leads[0]}` and `{leads[1]}`" if leads else "none"
        message = f"a property has exactly one of {', '.join(_LEADS)}; this one has {found}"
        spot = keys.key(leads[1]).spot if leads else keys.spot
        findings.add("LX405", spot, message)
        return ()
    lead = leads[0]
    family = [form for form in FORM_KEYS if lead in form.must]
    fitting = [form for form in family if form.must <= given]
    if lead not in ("lasts", "between"):
        fitting = [form for form in fitting if given <= form.must | form.may]
    allowed = frozenset().union(*(form.must | form.may for form in fitting))
    if not fitting or not given <= allowed:
        ways = "` or `".join(
            " ".join([*sorted(form.must, key=_order), *(f"[{key}]" for key in sorted(form.may))])
            for form in family
        )
        extra = sorted(given - frozenset().union(*(form.must | form.may for form in family)))
        spot = keys.key(extra[0]).spot if extra else keys.key(lead).spot
        findings.add("LX405", spot, f"a property with `{lead}` is written `{ways}`")
        return ()
    return tuple(fitting)


def _order(key: str) -> tuple[bool, str]:
    return (key not in _LEADS, key)


def guards_of(keys: Keys, form: FormKeys, findings: Findings) -> Iterator[tuple[str, str, Scalar]]:
    """Which of "p", "q", "r" each guard of the property is, its key and its text."""
    if form.p == "between":
        node = keys.get("between")
        items = node.items if isinstance(node, Items) else ()
        if len(items) != 2:
            findings.add("LX405", node.spot, "`between` holds a list of two guards, [P, Q]")
            return
        for letter, item in zip("pq", items, strict=True):
            text = text_of(item, findings, "a guard of `between`")
            if text is not None:
                yield letter, "between", text
    else:
        for letter, key in (("p", form.p), ("q", form.q)):
            text = text_of(keys.get(key), findings, f"`{key}`") if key else None
            if text is not None:
                yield letter, key, text
    if form.r:
        text = text_of(keys.get(form.r), findings, f"`{form.r}`")
        if text is not None:
            yield "r", form.r, text


def written(keys: Keys) -> Mapping[str, str]:
    """The form of a property as its file has it, by key, for people."""
    texts = {}
    for entry in keys:
        if entry.key.text not in _ALL_KEYS:
            continue
        if isinstance(entry.value, Scalar):
            texts[entry.key.text] = entry.value.text
        elif isinstance(entry.value, Items):
            shown = [item.text for item in entry.value.items if isinstance(item, Scalar)]
            texts[entry.key.text] = ", ".join(shown)
    return texts


def under_of(keys: Keys, findings: Findings) -> Under:
    """What `under` says; no faults when it is not given."""
    node = keys.get("under")
    if node is None:
        return Under()
    under = keys_of(node, findings, "`under`", must=("faults",), may=("of",))
    text = text_of(under.get("faults"), findings, "`faults`")
    classes = _classes(under, findings)
    if text is None:
        return Under()
    if text.text.isascii() and text.text.isdecimal() and len(text.text) <= 3:
        faults = int(text.text)
        return Under(faults, classes if faults else ())
    message = f"`{text.text}` is not a number of faults"
    findings.add("LX411", text.spot, message, mark="a whole number from 0 is due")
    return Under()


def _classes(under: Keys, findings: Findings) -> tuple[str, ...]:
    node = under.get("of")
    if node is None:
        return ()
    found = []
    for item in list_of(node, findings, "`of`"):
        text = text_of(item, findings, "a class of faults")
        if text is None:
            continue
        if text.text in CLASSES:
            found.append(text.text)
            continue
        mark = did_you_mean(text.text, CLASSES) or f"one of {', '.join(CLASSES)} is due"
        findings.add("LX414", text.spot, f"`{text.text}` is no class of faults", mark=mark)
    if isinstance(node, Items) and not node.items:
        findings.add("LX414", node.spot, "the list of classes of faults is empty", mark="without `of` all count")
    return tuple(dict.fromkeys(found))

