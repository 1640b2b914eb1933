"""Who takes part. Each peer is a function of a checked model, a property and a limit in seconds.

Every peer gets the same checked model in a process of its own; reading the model and loading the
libraries is not timed for anyone. Heavy libraries are imported by the peer that needs them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tests.bench.models import PROVED, VIOLATED
from verifier.language.model import Model, Property

OPEN = "open"


@dataclass(frozen=True)
class Peer:
    """``modules`` are loaded before the clock starts. ``run`` yields the verdict first, ``PROVED``,
    ``VIOLATED`` or ``OPEN``; what it does after that is timed apart, under the name that it yields.

    ``counts_open``: its time counts although it says nothing (a search that loses behaviours and
    finds nothing). ``can_prove`` False: it is asked only where there is something to find.
    ``all_move`` marks the other question of ``Case.all_move``.
    """

    name: str
    says: str
    modules: tuple[str, ...]
    run: Callable[[Model, Property, float], Iterator]
    counts_open: bool = False
    can_prove: bool = True
    all_move: bool = False


def _ours(model: Model, prop: Property, limit_s: float) -> Iterator:
    from verifier.engines.decision import decide
    from verifier.engines.limits import Allowance
    from verifier.engines.study import Study
    from verifier.evidence.recheck import recheck_certificate
    from verifier.evidence.replay import replay_trace
    from verifier.semantics.run import Gap, Trace

    finding = decide(Study(model, 0, Allowance(limit_s)), prop)
    if isinstance(finding, Gap):
        yield OPEN
        return
    yield VIOLATED if isinstance(finding, Trace) else PROVED
    if isinstance(finding, Trace):
        replay_trace(model, prop, finding)
        yield "check"
        return
    recheck_certificate(model, prop, finding, time_limit_s=10 * limit_s)
    yield "check"
    _ask_z3(model, prop, finding)
    yield "z3 check"


def _ask_z3(model: Model, prop: Property, certificate) -> None:
    """The obligations that the second solver is asked, asked of z3."""
    import z3

    from verifier.evidence.recheck import obligations

    for name, text in obligations(model, prop, certificate).items():
        solver = z3.Solver()
        solver.from_string(text)
        if solver.check() != z3.unsat:
            raise AssertionError(f"z3 does not confirm obligation `{name}`")


def _plain(world_waits: bool) -> Callable[[Model, Property, float], Iterator]:
    def run(model: Model, prop: Property, limit_s: float) -> Iterator:
        from tests.bench.plain_fixedpoint import is_violated

        yield _verdict(is_violated(model, prop, limit_s, world_waits=world_waits))

    return run


def _verdict(is_violated: bool | None) -> str:
    return {None: OPEN, True: VIOLATED, False: PROVED}[is_violated]


def _fixedpoint(model: Model, prop: Property, limit_s: float) -> Iterator:
    from verifier.engines.fixedpoint import prove
    from verifier.engines.limits import Allowance, OutOfBudget
    from verifier.semantics.watched import build

    try:
        yield _verdict(prove(build(model, prop), Allowance(limit_s)) is None)
    except OutOfBudget:
        yield OPEN


def _by_steps(model: Model, prop: Property, limit_s: float) -> Iterator:
    from tests.bench.grid_search import by_steps

    yield VIOLATED if by_steps(model, prop) else OPEN


def _in_units(model: Model, prop: Property, limit_s: float) -> Iterator:
    from tests.bench.grid_search import in_units

    yield VIOLATED if in_units(model, prop) else OPEN


def _zones(model: Model, prop: Property, limit_s: float) -> Iterator:
    from tests.bench.zone_search import is_violated

    yield _verdict(is_violated(model, prop))


def _diagrams(model: Model, prop: Property, limit_s: float) -> Iterator:
    from tests.bench.diagram_search import is_safe

    yield PROVED if is_safe(model, prop) else OPEN


OURS = "ours"
PEERS = (
    Peer(
        OURS,
        "this engine: `Study(...).decide(...)`, without replay and re-check",
        ("verifier.engines.decision", "verifier.evidence.recheck", "verifier.evidence.replay"),
        _ours,
    ),
    Peer(
        "plain",
        "z3's fixed-point engine, integers, every machine may change in every step",
        ("tests.bench.plain_fixedpoint",),
        _plain(False),
        all_move=True,
    ),
    Peer(
        "plain-rest",
        "the same, but the world waits until control has come to rest (our question)",
        ("tests.bench.plain_fixedpoint",),
        _plain(True),
    ),
    Peer(
        "fixedpoint",
        "z3's fixed-point engine on our encoding",
        ("verifier.engines.fixedpoint", "verifier.semantics.watched"),
        _fixedpoint,
    ),
    Peer(
        "grain",
        "breadth-first search, n steps at a grain of 1/(n+1) of the unit; it can't prove",
        ("tests.bench.grid_search",),
        _by_steps,
        can_prove=False,
    ),
    Peer(
        "units",
        "breadth-first search in whole units; for speed only, it loses behaviours",
        ("tests.bench.grid_search",),
        _in_units,
        counts_open=True,
    ),
    Peer(
        "zones",
        "explicit locations with clock zones, plain Python",
        ("tests.bench.zone_search",),
        _zones,
    ),
    Peer(
        "diagrams",
        "BDD reachability of the locations, clocks forgotten",
        ("tests.bench.diagram_search",),
        _diagrams,
    ),
)
BY_NAME = {peer.name: peer for peer in PEERS}
