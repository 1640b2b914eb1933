"""Failures of sensors in words (``specs/semantics.md`` 1.6)."""

from __future__ import annotations

from collections.abc import Iterable

from verifier.language.model import Model


def sensor_failures(model: Model) -> dict[str, tuple[str, str]]:
    """Of each fault that is a sensor's, the sensor and how it fails: ``("struck", "stuck true")``."""
    return {
        t.fault: (machine.sensor, t.fault.removeprefix(f"{machine.sensor}_").replace("_", " "))
        for machine in model.machines
        if machine.sensor
        for t in machine.transitions
        if t.fault
    }


def sound_sensors(model: Model, faults: Iterable[str]) -> str:
    """That none of these sensors fails, as a sentence; sensors that can fail alike are named together."""
    known, ways = sensor_failures(model), {}
    for fault in faults:
        sensor, way = known[fault]
        ways.setdefault(sensor, []).append(way)
    alike: dict[tuple[str, ...], list[str]] = {}
    for sensor, found in ways.items():
        alike.setdefault(tuple(sorted(found)), []).append(sensor)
    word = "this sensor does" if len(ways) == 1 else "these sensors do"
    named = (f"{', '.join(sensors)} ({', '.join(found)})" for found, sensors in alike.items())
    return f"{word} not fail: {'; '.join(named)}"
