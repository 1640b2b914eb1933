"""What can fail: the faults of a model, and of the parts that come with the program."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verifier.diagnostics import Findings, Place
from verifier.language.failures import WORKING
from verifier.language.granting import CLASSES, SENSOR, class_of
from verifier.language.model import Machine, Model, Transition, Window
from verifier.language.shipped import own_models_folder
from verifier.language.tree import plain
from verifier.language.yaml_reader import read_file


@dataclass(frozen=True)
class Fault:
    """A fault of class ``of`` (``specs/semantics.md`` 4.4); ``how`` tells what then happens. ``lasts`` and ``again``
    are the windows of a sensor's failure that ends, and comes again (1.7)."""

    name: str
    of: str
    how: str
    place: Place
    lasts: Window | None = None
    again: Window | None = None


@dataclass(frozen=True)
class Fallible:
    """A part that comes with the program, with its faults; of sensors as they are called in the part."""

    name: str
    file: str
    says: str
    faults: tuple[tuple[str, str, str], ...]


def faults_in(model: Model) -> tuple[Fault, ...]:
    """All faults of ``model``, by class and name. What befalls several machines is told of each."""
    found: dict[str, list[tuple[Machine, list[Transition]]]] = {}
    for machine in model.machines:
        for name in dict.fromkeys(t.fault for t in machine.transitions if t.fault):
            found.setdefault(name, []).append((machine, [t for t in machine.transitions if t.fault == name]))
    faults = [_fault(name, befalls) for name, befalls in found.items()]
    return tuple(sorted(faults, key=lambda one: (CLASSES.index(one.of), one.name)))


def _fault(name: str, befalls: list[tuple[Machine, list[Transition]]]) -> Fault:
    machine, taken = befalls[0]
    place = taken[0].place
    if machine.sensor:
        way = name.removeprefix(f"{machine.sensor}_").replace("_", " ")
        ends = _leaving(machine, taken[0].target)
        again = _leaving(machine, ends.target) if ends and ends.target != WORKING else None
        return Fault(name, SENSOR, f"{machine.sensor} is {way}", place, ends and ends.after, again and again.after)
    how = "; ".join(_moves(one.name, [(t.source, t.target, t.says) for t in of_it]) for one, of_it in befalls)
    return Fault(name, class_of(machine), how, place)


def _leaving(machine: Machine, state: str) -> Transition | None:
    return next((t for t in machine.transitions if t.source == state), None)


def _moves(machine: str, moves: list[tuple[str, str, str]]) -> str:
    """``lamps: lit | dim -> out (the filament breaks)``."""
    told = []
    for target in dict.fromkeys(target for _, target, _ in moves):
        sources = " | ".join(source for source, to, _ in moves if to == target)
        says = next((says for _, to, says in moves if to == target and says), "")
        told.append(f"{sources} -> {target}" + (f" ({says})" if says else ""))
    return f"{machine}: {', '.join(told)}"


def fallible_parts() -> Iterator[Fallible]:
    """The parts that come with the program, those too in which nothing can fail."""
    for path in sorted((own_models_folder() / "parts").glob("*.yaml")):
        yield _part(path)


def _part(path: Path) -> Fallible:
    findings = Findings()
    node = read_file(str(path), findings)
    findings.raise_if_any()
    assert node is not None
    body: Any = plain(node)
    faults = [*_of_machines(body.get("machines") or {}), *_of_sensors(body.get("sensors") or {})]
    return Fallible(body["part"], f"parts/{path.name}", " ".join(body["says"].split()), tuple(faults))


def _of_machines(machines: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    for name, machine in machines.items():
        moves: dict[str, list[tuple[str, str, str]]] = {}
        for t in machine.get("transitions") or []:
            if "fault" in t:
                sources = [t["from"]] if isinstance(t["from"], str) else t["from"]
                moves.setdefault(t["fault"], []).extend((source, t["to"], t.get("says", "")) for source in sources)
        before = ""
        for step in machine.get("path") or []:
            step = {"to": step} if isinstance(step, str) else step
            if "fault" in step:
                moves.setdefault(step["fault"], []).append((before, step["to"], step.get("says", "")))
            before = step["to"]
        for fault, found in moves.items():
            yield fault, machine["role"], _moves(name, found)


def _of_sensors(sensors: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    for name, sensor in sensors.items():
        for failure in sensor.get("can_fail") or []:
            kind = failure if isinstance(failure, str) else failure["fails"]
            yield f"{name}_{kind.replace(' ', '_')}", SENSOR, f"{name} is {kind}"
