"""The order of the variables in the diagrams decides how large they are, never what is found."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from tests.bench.models import SLOW_VEHICLES, full_barriers, half_barriers
from tests.report import long_run
from verifier.engines import diagrams
from verifier.engines.decision import decide
from verifier.engines.limits import Allowance
from verifier.engines.ordering import side_by_side
from verifier.engines.study import Study
from verifier.language.load import load

ASKED = ("never-train-and-vehicle[t1]", "train-finds-barriers-down[t1]", "red-until-45")


def written(folder: Path, text: str):
    path = folder / "model.yaml"
    path.write_text(text, encoding="utf-8")
    return load(str(path))


@pytest.mark.parametrize("build", [half_barriers, full_barriers])
def test_the_machines_of_a_track_stand_together(tmp_path: Path, build) -> None:
    model, _ = written(tmp_path, build(4, 1))
    live = [machine.name for machine in model.machines if not machine.sensor]
    names = side_by_side(model, live)
    assert sorted(names) == sorted(live)
    for track in ("t1", "t2", "t3", "t4"):
        places = [i for i, name in enumerate(names) if name.endswith(track)]
        assert max(places) - min(places) == len(places) - 1, names


def findings(path: str, change: str) -> str:
    """What is found in a process of its own: z3 goes other ways the second time."""
    if change == "turned round":
        diagrams.side_by_side = lambda model, live: side_by_side(model, live)[::-1]
    elif change == "sifted at once":
        diagrams.LARGE = 0
    model, properties = load(path)
    study = Study(model, 0, Allowance())
    assert study.diagrams._is_sifted == (change == "sifted at once")
    return "\n".join(repr(decide(study, p)) for p in properties if p.id in ASKED)


@pytest.mark.slow
def test_other_orders_find_the_same(tmp_path: Path) -> None:
    written(tmp_path, half_barriers(1, 1, SLOW_VEHICLES))
    spawn = get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=spawn, max_tasks_per_child=1) as pool:
        changes = ("", "turned round", "sifted at once")
        usual, *others = pool.map(findings, [str(tmp_path / "model.yaml")] * 3, changes)
    assert "Certificate(" in usual and "Trace(" in usual
    assert others == [usual, usual]


@pytest.mark.parametrize("tracks", [2, 8])
def test_as_many_tracks_as_there_are(tmp_path: Path, tracks: int) -> None:
    """Eight tracks took the order of the file more memory than there is."""
    model, properties = written(tmp_path, full_barriers(tracks, 1))
    study = Study(model, 0, Allowance())
    assert len(study.diagrams.bdd) < 5_000 * tracks
    (signal,) = (p for p in properties if p.id == f"signal-only-while-closed[t{tracks}]")
    assert type(decide(study, signal)).__name__ == "Certificate"


def test_a_machine_that_all_others_read_goes_first(tmp_path: Path) -> None:
    """Amid the others it took minutes: each of them reads it for another of its states."""
    (tmp_path / "pack.yaml").write_text(long_run.PACK, encoding="utf-8")
    model, _ = written(tmp_path, long_run.model_text())
    assert side_by_side(model)[0] == "belt"
    study = Study(model, 0, Allowance())
    assert study.known != study.diagrams.false
    assert len(study.diagrams.bdd) < 40_000
