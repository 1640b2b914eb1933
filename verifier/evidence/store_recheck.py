"""Check an evidence folder again, trusting nothing in it but the copies of the input files.

Digests find damage; they prove nothing, since whoever edits a file can write a new digest. So the model
is loaded again, every obligation is written anew from it and asked of the second solver, and every trace
is replayed on the concrete machine.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from verifier.evidence.judgement import Unjudged
from verifier.evidence.recheck import Refused, recheck_certificate
from verifier.evidence.replay import replay_trace
from verifier.evidence.result import Disagreement, ReplayedTrace
from verifier.evidence.store_files import MANIFEST, MANIFEST_DIGEST, BadEvidence, parsed, read, sha256
from verifier.evidence.store_inputs import reload
from verifier.evidence.store_runs import alive_in, subjects
from verifier.evidence.store_schema import MANIFEST as MANIFEST_SCHEMA
from verifier.evidence.store_schema import RUNS, TRACE
from verifier.evidence.trace_json import NotATrace, from_json, to_json
from verifier.language.granting import with_classes
from verifier.language.guard import Guard
from verifier.language.load import built_in_properties
from verifier.language.model import Form, Model, Property
from verifier.semantics.concrete import NotAllowed
from verifier.semantics.run import Certificate

_FOUNDATIONS = (Form.AMBIGUOUS, Form.DOES_NOT_SETTLE, Form.TIME_STOPS)
_NEEDS = {"proved": "certificate", "impossible": "certificate", "violated": "trace", "shown": "trace"}


def trigger_of(prop: Property) -> Guard | None:
    """What must be able to happen for the property to say anything; None for forms without."""
    if prop.form.is_built_in or prop.form in (Form.NEVER, Form.ALWAYS, Form.POSSIBLE):
        return None
    return prop.q if prop.form in (Form.ONLY_AFTER, Form.HAS_HELD) else prop.p


@dataclass(frozen=True)
class Rechecked:
    """One property of the folder. ``is_confirmed`` only when its verdict was confirmed just now.

    ``how`` is one sentence for people: what was done, or why nothing could be confirmed.
    """

    id: str
    verdict: str
    budget: int
    is_confirmed: bool
    how: str


@dataclass(frozen=True)
class Recheck:
    """A whole folder, in the order of its manifest. ``path`` and ``digest`` are those of the model."""

    path: str
    digest: str
    properties: tuple[Rechecked, ...]


def recheck_folder(folder: str | Path, *, time_limit_s: float = 60.0) -> Recheck:
    """Confirm every verdict in an evidence folder that rests on a certificate or a trace.

    Parameters
    ----------
    folder : str or Path
        As ``store.write`` made it; it may have been moved.
    time_limit_s : float
        For the obligations of one certificate together, in seconds of solving.

    Returns
    -------
    Recheck
        What is not confirmed (nothing on disk to check, solver out of time) says so.

    Raises
    ------
    BadEvidence
        Something is missing, changed, unreadable, does not prove or does not show: everything found.
    """
    # The front end names files in this way, and traces are compared by those names.
    folder = Path(os.path.normpath(folder))
    manifest = _manifest(folder)
    contents = _contents(folder, manifest)
    model, properties = reload(folder, manifest["model"]["file"], tuple(manifest["model"]["packs"]),
                               manifest["model"]["digest"])
    names = {str(folder / one["file"]): one["path"] for one in manifest["inputs"]}
    known = {prop.id: prop for prop in (*built_in_properties(model), *properties)}
    entries = {_key(one) for one in manifest["properties"] if one["verdict"] == "proved"}
    bench = _Bench(folder, model, contents, names, time_limit_s, entries)
    done, wrong = [], []
    for entry in manifest["properties"]:
        try:
            done.append(bench.checked(entry, known))
        except BadEvidence as error:
            wrong += error.findings
    if wrong:
        raise BadEvidence(wrong)
    return Recheck(manifest["model"]["path"], model.digest, tuple(_upon_foundations(done)))


def _upon_foundations(done: list[Rechecked]) -> Iterator[Rechecked]:
    """9.7: a proof whose foundations were not confirmed just now is not confirmed either."""
    names = [form.value for form in _FOUNDATIONS]
    open_ones = {(one.id, one.budget) for one in done if not one.is_confirmed}
    for one in done:
        below = [name for name in names if (name, one.budget) in open_ones]
        rests = one.id not in (*names, Form.DEAD.value) and one.verdict in ("proved", "impossible")
        if below and one.is_confirmed and rests:
            how = f"certificate confirmed, but not `{'`, `'.join(below)}`, on which every proof rests"
            one = replace(one, is_confirmed=False, how=how)
        yield one


def _key(entry: Mapping[str, Any]) -> tuple[str, int]:
    return entry["form"], entry["budget"]


def _manifest(folder: Path) -> dict[str, Any]:
    content = read(folder, MANIFEST)
    digest = read(folder, MANIFEST_DIGEST)
    if digest.split(maxsplit=1)[:1] != [sha256(content).encode()]:
        raise BadEvidence([f"{folder / MANIFEST}: has been changed: its digest is not the one in "
                           f"{MANIFEST_DIGEST}"])
    return parsed(content, MANIFEST_SCHEMA, folder / MANIFEST)


def _contents(folder: Path, manifest: Mapping[str, Any]) -> dict[str, bytes]:
    """All files with the digests the manifest gives them, and no file named that has none."""
    contents, wrong = {}, []
    for name, digest in manifest["files"].items():
        try:
            contents[name] = read(folder, name)
        except BadEvidence as error:
            wrong += error.findings
            continue
        if sha256(contents[name]) != digest:
            wrong.append(f"{folder / name}: has been changed: its digest is not the one in {MANIFEST}")
    wrong += [f"{folder / MANIFEST}: names `{name}` but gives no digest for it"
              for name in dict.fromkeys(_named(manifest)) if name not in manifest["files"]]
    if wrong:
        raise BadEvidence(wrong)
    return contents


def _named(manifest: Mapping[str, Any]) -> Iterator[str]:
    yield manifest["model"]["file"]
    yield from manifest["model"]["packs"]
    for one in manifest["inputs"]:
        yield one["file"]
    for entry in manifest["properties"]:
        yield from filter(None, (entry["trace"], entry["witness"], entry["runs"]))
        if entry["certificate"]:
            yield entry["certificate"]["file"]
            for one in entry["certificate"]["obligations"]:
                yield one["file"]


@dataclass(frozen=True)
class _Bench:
    """What the properties of one folder share."""

    folder: Path
    model: Model
    contents: Mapping[str, bytes]
    names: Mapping[str, str]
    time_limit_s: float
    proved: set[tuple[str, int]]

    def checked(self, entry: Mapping[str, Any], known: Mapping[str, Property]) -> Rechecked:
        prop = self.property_of(entry, known)
        verdict, budget = entry["verdict"], entry["budget"]

        def outcome(is_confirmed: bool, how: str) -> Rechecked:
            return Rechecked(prop.id, verdict, budget, is_confirmed, how)

        if verdict not in _NEEDS:
            return outcome(False, f"{verdict} is no claim that could be confirmed")
        needs = "certificate" if prop.form is Form.DEAD and verdict == "violated" else _NEEDS[verdict]
        if (verdict in ("shown", "impossible")) != (prop.form is Form.POSSIBLE):
            raise self.wrong(MANIFEST, f"`{prop.id}` of form `{prop.form.value}` can't be {verdict}")
        if prop.form is Form.DEAD and verdict == "proved":
            if entry["runs"] is None:
                return outcome(False, "rests on concrete runs, which are not kept")
            self.live(prop, entry["runs"], budget)
            return outcome(True, "every state and transition seen alive in runs of the concrete machine")
        if entry[needs] is None:
            raise self.wrong(MANIFEST, f"`{prop.id}` is {verdict} without a {needs}")
        if needs == "trace":
            self.replay(prop, entry["trace"], budget)
            return outcome(True, "trace replayed on the concrete machine")
        how = self.recheck(prop, entry["certificate"], budget)
        if how:
            return outcome(False, how)
        missing = [form.value for form in _FOUNDATIONS if (form.value, budget) not in self.proved]
        if missing and prop.form not in (*_FOUNDATIONS, Form.DEAD):
            return outcome(False, f"certificate confirmed, but `{'`, `'.join(missing)}` is not proved here "
                                  "under the same budget")
        if trigger_of(prop) is not None and entry["witness"] is None:
            return outcome(False, "certificate confirmed, but no run shows that its trigger can happen")
        if entry["witness"] is not None:
            self.rerun(prop, entry["witness"], budget)
        return outcome(True, "certificate confirmed by the second solver")

    def property_of(self, entry: Mapping[str, Any], known: Mapping[str, Property]) -> Property:
        if entry["id"] not in known:
            raise self.wrong(MANIFEST, f"the copied model has no property `{entry['id']}`")
        prop = known[entry["id"]]
        if prop.form.value != entry["form"]:
            raise self.wrong(MANIFEST, f"`{prop.id}` is of form `{prop.form.value}`, not `{entry['form']}`")
        if entry["faults_of"] and tuple(entry["faults_of"]) != prop.faults_of:
            raise self.wrong(MANIFEST, f"`{prop.id}` is not asked of faults of {', '.join(entry['faults_of'])} alone")
        prop = replace(prop, faults_of=tuple(entry["faults_of"]))
        if not entry["subject"]:
            return prop
        subject = tuple(entry["subject"])
        if prop.form is not Form.DEAD or not _is_subject(self.model, subject):
            raise self.wrong(MANIFEST, f"`{prop.id}`: {list(subject)} is no state or transition of the model")
        return replace(prop, subject=subject)

    def recheck(self, prop: Property, entry: Mapping[str, Any], budget: int) -> str:
        """"" when confirmed, else why the solver could not tell."""
        file = entry["file"]
        try:
            term = self.contents[file].decode("utf-8").rstrip("\n")
        except UnicodeDecodeError:
            raise self.wrong(file, "is not UTF-8") from None
        certificate = Certificate(term, entry["k"], entry["rounds"], entry["method"],
                                  tuple(entry["needs_times_of"]),
                                  Fraction(entry["bound_s"]) if "bound_s" in entry else None)
        try:
            rechecked = recheck_certificate(with_classes(self.model, prop.faults_of), prop, certificate, budget=budget,
                                            time_limit_s=self.time_limit_s)
        except Refused as refused:
            if refused.kind == "unknown":
                return refused.reason
            verb = "does not prove" if refused.kind == "sat" else "is no certificate of"
            raise self.wrong(file, f"{verb} `{prop.id}`: {refused.reason}") from None
        kept = {one["name"]: self.contents[one["file"]] for one in entry["obligations"]}
        due = {name: text.encode() for name, text in rechecked.obligations.items()}
        if kept != due:
            names = sorted(name for name in {*kept, *due} if kept.get(name) != due.get(name))
            where = {one["name"]: one["file"] for one in entry["obligations"]}
            raise BadEvidence([f"{self.folder / where.get(name, MANIFEST)}: obligation `{name}` is not "
                               "the one that the copied model and the certificate give" for name in names])
        return ""

    def replay(self, prop: Property, file: str, budget: int) -> None:
        data = parsed(self.contents[file], TRACE, self.folder / file)
        replayed = self.replayed(prop, file, data, budget)
        self.compare(file, data, replayed)

    def rerun(self, prop: Property, file: str, budget: int) -> None:
        """A witness: a run to a state in which the property is put to the test."""
        trigger = trigger_of(prop)
        if trigger is None:
            raise self.wrong(MANIFEST, f"`{prop.id}` has no trigger that `{file}` could show")
        data = parsed(self.contents[file], TRACE, self.folder / file)
        scenario = replace(prop, form=Form.POSSIBLE, p=trigger, bound=None)
        self.compare(file, data, self.replayed(scenario, file, data, budget), ("start", "steps"))

    def live(self, prop: Property, file: str, budget: int) -> None:
        """9.6 proved: the kept runs, taken again, show everything alive."""
        data = parsed(self.contents[file], RUNS, self.folder / file)
        try:
            missing = subjects(self.model, budget) - alive_in(self.model, budget, data)
        except NotAllowed as error:
            raise self.wrong(file, f"is no run of the model: {error.reason}") from None
        if missing:
            names = ", ".join(" ".join(map(str, one)) for one in sorted(missing, key=str))
            raise self.wrong(file, f"does not show alive: {names}")

    def replayed(self, prop: Property, file: str, data: Mapping[str, Any], budget: int) -> ReplayedTrace:
        try:
            return replay_trace(with_classes(self.model, prop.faults_of), prop, from_json(self.model, data), budget)
        except (NotATrace, Unjudged) as error:
            raise self.wrong(file, str(error)) from None
        except Disagreement as error:
            sides = "; ".join(f"{side}: {said}" for side, said in error.sides.items())
            raise self.wrong(file, f"does not show that `{prop.id}` is so: {error.what} ({sides})") from None

    def compare(self, file: str, data: Mapping[str, Any], replayed: ReplayedTrace,
                keys: tuple[str, ...] = tuple(TRACE["required"])) -> None:
        """What is written about the run against what the replay sees."""
        seen = to_json(self.model, replayed, self.names)
        for key in keys:
            if seen[key] != data[key]:
                raise self.wrong(file, f"`{key}` is not as in the replayed run")

    def wrong(self, name: str, what: str) -> BadEvidence:
        return BadEvidence([f"{self.folder / name}: {what}"])


def _is_subject(model: Model, subject: tuple) -> bool:
    machines = {machine.name: machine for machine in model.machines}
    if len(subject) != 3 or subject[1] not in machines:
        return False
    kind, name, which = subject
    if kind == "state":
        return which in machines[name].states
    return kind == "transition" and isinstance(which, int) and 0 <= which < len(machines[name].transitions)
