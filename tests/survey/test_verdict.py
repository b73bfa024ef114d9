"""Verdicts: the table, the order of reasons, and whether they rank as the keys turn out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from kernels.cpu import CpuEngine
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.reference.survey import Measures, measure_frame
from server.jobs.arrange import arrange
from server.jobs.limits import TABLE
from server.jobs.suggest import combine
from server.jobs.summary import summarise
from server.jobs.verdict import CAUTION, EXIT_CODES, judge, place, values_of
from tests.survey.setups import Look, Setup, battery, make


def good(**changes: object) -> Measures:
    base: dict[str, object] = {
        "screen": True,
        "primary": "green",
        "screen_share": 0.7,
        "uncovered": 0.0,
        "backing_colour": (0.16, 0.36, 0.12),
        "evenness_stops": 0.3,
        "level_stops": 0.5,
        "purity": 0.55,
        "saturation": 0.66,
        "snr_db": (34.0, 38.0, 32.0),
        "spill": 0.02,
        "separation_matte": 1.1,
        "alpha_noise_edge": 0.02,
        "edge_px": 3.0,
        "chroma": "4:4:4",
    }
    return Measures(**{**base, **changes})  # type: ignore[arg-type]


def test_a_good_screen_is_keyable() -> None:
    """Source: the trade's rule that a screen even within about half a stop keys well."""
    verdict = judge(good())
    assert verdict.name == "keyable"
    assert verdict.reasons == []
    assert verdict.score > 85


@pytest.mark.parametrize(
    ("changes", "name", "first"),
    [
        ({"evenness_stops": 1.1}, "keyable with work", "evenness_stops"),
        ({"evenness_stops": 3.0}, "relight", "evenness_stops"),
        ({"level_stops": -4.0}, "relight", "level_low"),
        ({"clipped_share": 0.3}, "relight", "clipped_share"),
        ({"snr_db": (12.0, 15.0, 11.0)}, "relight", "snr_key_db"),
        ({"purity": 0.3}, "keyable with work", "purity"),
        ({"separation_matte": 0.2}, "keyable with work", "separation_matte"),
        ({"spill": 0.5}, "keyable with work", "spill"),
        ({"chroma": "4:2:0"}, "keyable", "chroma_loss"),
        ({"screen": False}, "no screen found", "screen"),
    ],
)
def test_one_trouble_gives_its_verdict(changes: dict[str, object], name: str, first: str) -> None:
    """Common practice, no source."""
    verdict = judge(good(**changes))
    assert verdict.name == name
    assert verdict.reasons[0].measure == first
    assert verdict.reasons[0].remedy
    assert verdict.reasons[0].source
    assert verdict.caution == CAUTION
    assert verdict.score < judge(good()).score


def test_reasons_come_in_order_of_weight_with_their_places() -> None:
    """Common practice, no source."""
    verdict = judge(
        good(evenness_stops=1.2, dark_box=(0.7, 0.7, 1.0, 1.0), separation_matte=0.1, spill=0.45)
    )
    weights = [reason.weight for reason in verdict.reasons]
    assert weights == sorted(weights, reverse=True)
    assert [r.measure for r in verdict.reasons] == ["separation_matte", "spill", "evenness_stops"]
    assert verdict.reasons[-1].text.endswith("lower right")
    assert "1.2 stops, over the limit of 0.75" in verdict.reasons[-1].text


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.measure)
def test_each_limit_has_a_source_and_its_severity_never_falls(row: object) -> None:
    """Common practice, no source: worse is never judged better."""
    assert row.source  # type: ignore[attr-defined]
    assert row.remedy  # type: ignore[attr-defined]
    assert row.measure in values_of(good())  # type: ignore[attr-defined]
    span = np.linspace(-9, 90, 6000)
    values = [row.severity(float(v)) for v in span]  # type: ignore[attr-defined]
    steps = np.diff(values)
    assert (steps >= 0).all() if row.rising else (steps <= 0).all()  # type: ignore[attr-defined]
    assert row.severity(row.work) == pytest.approx(1.0)  # type: ignore[attr-defined]
    assert min(values) == 0
    assert max(values) == 3


def test_places_in_words() -> None:
    """Common practice, no source."""
    assert place((0.0, 0.0, 0.3, 0.3)) == "upper left"
    assert place((0.7, 0.3, 1.0, 0.7)) == "right"
    assert place((0.4, 0.8, 0.6, 1.0)) == "bottom"
    assert place((0.4, 0.4, 0.6, 0.6)) == "middle"
    assert place((0.0, 0.0, 1.0, 1.0)) == "all over"


def test_a_shot_is_the_median_of_its_frames_and_the_worst_of_its_moments() -> None:
    """Common practice, no source."""
    frames = [good(evenness_stops=e, clipped_share=c) for e, c in ((0.2, 0), (0.4, 0.1), (0.3, 0))]
    whole = summarise([*frames, Measures(screen=False)])
    assert whole.evenness_stops == pytest.approx(0.3)
    assert whole.clipped_share == pytest.approx(0.1)
    assert not summarise([frames[0], Measures(screen=False), Measures(screen=False)]).screen


def test_exit_codes() -> None:
    """Source: the commands' own documentation: 0, 3, 4, 5."""
    assert sorted(EXIT_CODES.values()) == [0, 3, 4, 5]


def keyed_sad(setup: Setup, engine: CpuEngine) -> tuple[float, Measures]:
    """Survey a set-up and key it with the suggested recipe; the SAD where a screen should be."""
    code = np.sqrt(np.maximum(setup.plate, 0))
    survey = measure_frame(setup.plate, code)
    found = combine({0: survey}, *setup.alpha.shape)
    if found is None:
        return float("nan"), survey.measures
    recipe = arrange(found.findings, clean_plate="c.exr")
    plan = build_plan(recipe, 0, {"plate", "clean", "backdrop"})
    inputs = gather(engine, recipe, 0, plate=setup.plate, clean=found.clean)
    alpha = engine.planes(plan, inputs, ["alpha"])["alpha"]
    return float(np.abs(alpha - setup.alpha)[setup.counted].sum()), survey.measures


@pytest.mark.slow
def test_verdicts_rank_as_the_keys_turn_out() -> None:
    """Source: exact truth of 36 set-ups; Spearman's rank correlation of score and measured SAD."""
    engine = CpuEngine(threads=2)
    rows = []
    for look in battery():
        sad, measures = keyed_sad(make(look), engine)
        rows.append((look, sad, judge(measures)))
    engine.close()
    assert len(rows) >= 30
    for look, sad, verdict in rows:
        if not look.has_screen:
            assert verdict.name == "no screen found", look.name
            assert np.isnan(sad)
    keyed = sorted((r for r in rows if not np.isnan(r[1])), key=lambda r: r[1])
    rank = spearmanr([-r[1] for r in keyed], [r[2].score for r in keyed]).statistic
    assert rank >= 0.8
    third = len(keyed) // 3
    assert "relight" not in [r[2].name for r in keyed[:third]]
    assert "keyable" not in [r[2].name for r in keyed[-third:]]


def test_a_set_up_is_what_it_says() -> None:
    """Source: the compositing equation on noiseless light."""
    setup = make(Look("plain", noise_a=0.0, noise_b=0.0, lens_px=0.01, seed=3))
    light = setup.alpha * setup.foreground + (1 - setup.alpha) * setup.clean
    np.testing.assert_allclose(setup.plate, light, atol=1e-5)
    assert 0.05 < setup.alpha.mean() < 0.5
