"""Known lengths against simulated networks: errors, limits, verdicts, and what would help."""

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import tracker.pipeline.check as checking
from tests.job_files import empty_job, write
from tests.simulated_network import BENCH, FRAME, HEIGHT, LENS, SIDE_MM, WIDTH, detect, make_world
from tracker.cli.app import app
from tracker.errors import NetworkError, ScaleError, TableError
from tracker.network.adjust import adjust
from tracker.network.length_advice import advise, common_share, stations_of
from tracker.network.length_test import Limit, Verdict, measure_lengths
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget
from tracker.pipeline.check import check_document, check_setup
from tracker.pipeline.day import Day, Placed

WORLD = make_world(16)
PAIRS = ((20, 25), (22, 30), (21, 33), (24, 28), (23, 31), (0, 5), (2, 6), (1, 29))


def between(a: int, b: int) -> float:
    return float(np.linalg.norm(WORLD.corners[a].mean(axis=0) - WORLD.corners[b].mean(axis=0)))


def lengths(pairs: Sequence[tuple[int, int]] = PAIRS, share: float = 0.0) -> list[Bar]:
    return [Bar(a, b, between(a, b) * (1.0 + share), 0.01) for a, b in pairs]


@cache
def day(photos: int = 16, bar_share: float = 0.0, framed: bool = False) -> Adjustment:
    a, b, length = WORLD.bars[0]
    known = {t: KnownTarget(WORLD.corners[t], np.full(4, 0.02)) for t in FRAME} if framed else {}
    return adjust(
        detect(WORLD)[:photos],
        names=[f"{k}.jpg" for k in range(photos)],
        cameras=[0] * photos,
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[LENS.focal_px],
        known=known,
        bars=[Bar(a, b, length * (1.0 + bar_share), 0.02)],
        side_mm=SIDE_MM,
    )


def test_a_good_set_up_passes() -> None:
    test = measure_lengths(day(), lengths())
    assert test.verdict is Verdict.PASS
    assert len(test.lengths) == len(PAIRS)
    for length in test.lengths:
        assert length.limit_mm == pytest.approx(length.found_u95_mm + 0.01)
        assert abs(length.error_mm) <= length.limit_mm < 0.25
    # the scale's part grows with the length: a bar of 250 mm with U95 .02 mm
    longest = max(test.lengths, key=lambda length: length.given_mm)
    assert longest.found_u95_mm > 0.02 * longest.given_mm / 250.0
    assert any("longer scale bar" in words for words in advise(day(), test))
    assert sum(test.direction_shares) == pytest.approx(1.0)


def test_a_wrong_scale_is_told_from_a_wrong_length() -> None:
    wrong_bar = measure_lengths(day(bar_share=0.003), lengths())
    assert wrong_bar.verdict is Verdict.FAIL
    assert common_share(wrong_bar) == pytest.approx(0.003, abs=2e-4)
    assert "off by the same share (+0.30 %)" in advise(day(bar_share=0.003), wrong_bar)[0]
    one = [*lengths(PAIRS[:-1]), Bar(1, 29, between(1, 29) + 2.0, 0.01)]
    test = measure_lengths(day(), one)
    assert test.verdict is Verdict.FAIL
    assert test.deciding.name == "1-29"
    assert common_share(test) is None
    assert advise(day(), test)[0].startswith("Measure 1-29 again")


def test_the_carvers_own_limit_decides_with_the_known_lengths_u95() -> None:
    assert measure_lengths(day(), lengths(), Limit.parse("0.3")).verdict is Verdict.PASS
    assert measure_lengths(day(), lengths(), Limit.parse("0.0001")).verdict is not Verdict.PASS
    vague = [replace(bar, u95_mm=0.5) for bar in lengths()]
    assert measure_lengths(day(), vague, Limit.parse("0.3")).verdict is Verdict.UNDECIDED


def test_what_gives_the_scale_may_not_test_it() -> None:
    a, b, length = WORLD.bars[0]
    test = measure_lengths(day(framed=True), [Bar(b, a, length, 0.02), *lengths()])
    said = dict(test.left_out)
    assert said[f"{b}-{a}"] == "it gives the scale itself"
    assert "gives the scale" in said["0-5"]
    assert "gives the scale" in said["2-6"]
    assert len(test.lengths) == len(PAIRS) - 2  # 1-29 has one end on the frame
    with pytest.raises(
        NetworkError, match=r"None of the known lengths .* target 400 is not placed"
    ):
        measure_lengths(day(), [Bar(400, 20, 100.0, 0.1)])


def test_advice_on_photographs_and_lengths() -> None:
    some = measure_lengths(day(photos=5), lengths(((20, 25), (0, 1))) + [Bar(500, 501, 90.0)])
    said = " ".join(advise(day(photos=5), some))
    assert "look from one side" in said or "5 photographs are few" in said
    assert "two thirds of its diagonal" in said
    assert "do not go all ways" in said
    assert "not an acceptance test" in said
    assert stations_of(day()).spread < 0.85
    low = replace(
        day(), photos=tuple(p for k, p in enumerate(day().photos) if k % 3 == 0)
    )  # the lowest ring
    assert stations_of(low).high_share == 0.0
    assert any("from above" in words for words in advise(low, some))


@pytest.fixture
def pretended(monkeypatch: pytest.MonkeyPatch) -> None:
    """Photographs that were looked at already."""
    empty = Day((), (), (), {})
    monkeypatch.setattr(checking, "open_day", lambda folder, step: empty)
    monkeypatch.setattr(
        checking, "place_day", lambda found, known, bars: Placed(found, day(), {"z.jpg": "blurred"})
    )


def table(path: Path, bars: Sequence[Bar]) -> Path:
    rows = [f"{b.target_a},{b.target_b},{b.length_mm:.4f},{b.u95_mm}" for b in bars]
    return write(path, ["target_a,target_b,length_mm,u95_mm", *rows])


def test_as_typed(pretended: None, tmp_path: Path) -> None:
    known = table(tmp_path / "known.csv", lengths())
    bars = table(tmp_path / "bars.csv", [Bar(50, 51, 250.0, 0.02)])
    words = ["check", str(tmp_path), "--lengths", str(known), "--bars", str(bars)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "Pass: the largest error is" in done.stdout
    assert "the limit of this set-up there is" in done.stdout
    assert "z.jpg left out: blurred." in done.stdout
    assert "Scale from the scale bars of bars.csv." in done.stdout
    done = CliRunner().invoke(app, [*words, "--limit", "0.0001+L/9000000", "--json"])
    document = json.loads(done.stdout)
    assert document["verdict"] in {"fail", "undecided"}
    assert len(document["lengths"]) == len(PAIRS)
    assert document["sentence"].startswith(("Fail: ", "Not decided: "))
    found = check_setup(tmp_path, known, bars=bars)
    assert check_document(found)["largest_error_mm"] == round(found.test.worst.error_mm, 4)


def test_scale_from_the_job(pretended: None, tmp_path: Path) -> None:
    known = table(tmp_path / "known.csv", lengths())
    with pytest.raises(ScaleError, match="Nothing says how long a millimetre is"):
        check_setup(tmp_path, known)
    job = empty_job(tmp_path)
    with pytest.raises(ScaleError, match="neither a frame nor scale bars"):
        check_setup(tmp_path, known, job=job)
    table(job.bars_path, [Bar(50, 51, 250.0, 0.02)])
    assert check_setup(tmp_path, known, job=job).scale == "the job's scale bars"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["target_a,target_b", "1,2"], "lacks the column length_mm"),
        (["target_a,target_b,length_mm", "1,1,20"], "the length goes from target 1 to itself"),
        (["target_a,target_b,length_mm", "1,2,long"], "not a number"),
        (["target_a,target_b,length_mm", "1,2,20", "2,1,20"], "length 2-1 is given twice"),
    ],
)
def test_tables_that_cannot_be_used(
    pretended: None, tmp_path: Path, lines: list[str], said: str
) -> None:
    with pytest.raises(TableError, match=said):
        check_setup(tmp_path, write(tmp_path / "known.csv", lines))


def test_bench_pairs_are_seen() -> None:
    """Guards the tests above: their lengths' ends are in the photographs."""
    seen = {t.tag for t in day().targets if t.photos >= 2}
    assert set(BENCH) <= seen
