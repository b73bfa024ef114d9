"""Verdicts: the table, the order of reasons, and whether they rank as the keys turn out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from kernels.cpu.engine import CpuEngine
from kernels.measure.survey import Measures
from server.survey.limits import TABLE
from server.survey.outlook import PARTS, expected_error, expected_parts, main_part
from server.survey.summary import summarise
from server.survey.verdict import CAUTION, EXIT_CODES, judge, place, values_of
from tests.server.survey.batteries import held_out, tuning
from tests.server.survey.setups import Look, make, moved_px
from tests.server.survey.turn_out import keyed, rank, table, turn_out


def good(**changes: object) -> Measures:
    base: dict[str, object] = {
        "screen": True,
        "primary": "green",
        "screen_share": 0.7,
        "uncovered": 0.0,
        "screen_colour": (0.16, 0.36, 0.12),
        "evenness_stops": 0.3,
        "level_stops": 0.5,
        "purity": 0.55,
        "saturation": 0.66,
        "snr_db": (34.0, 38.0, 32.0),
        "spill": 0.02,
        "separation_matte": 1.1,
        "alpha_noise_edge": 0.02,
        "matte_noise": 0.03,
        "matte_noise_dark": 0.04,
        "key_bias": 0.05,
        "edge_share": 0.04,
        "edge_px": 3.0,
        "edge_width": 0.003,
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
        ({"evenness_stops": 0.6}, "keyable with work", "evenness_stops"),
        (
            {"evenness_stops": 2.0, "evenness_near_stops": 1.6},
            "keyable with work",
            "evenness_stops",
        ),
        ({"evenness_stops": 2.0, "matte_noise_dark": 0.16}, "relight", "evenness_stops"),
        ({"evenness_stops": 2.0, "matte_noise_dark": None}, "relight", "evenness_stops"),
        (
            {"evenness_stops": 2.0, "evenness_near_stops": 0.8, "matte_noise_dark": 0.16},
            "keyable with work",
            "evenness_stops",
        ),
        ({"key_bias": 0.5, "edge_share": 0.02}, "keyable with work", "key_bias"),
        ({"matte_noise_dark": 0.25}, "keyable with work", "expected_error"),
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
    assert [r.measure for r in verdict.reasons] == [
        "separation_matte",
        "spill",
        "evenness_stops",
    ]
    assert "1.2 stops, over the limit of 1, lower right" in verdict.reasons[-1].text


@pytest.mark.parametrize(
    ("stops", "told"),
    [(0.5004, "0.5004 stops"), (1.003, "1.003 stops"), (1.0000004, "1.0000004 stops")],
)
def test_a_value_just_over_its_limit_does_not_read_like_it(stops: float, told: str) -> None:
    """Common practice, no source: "1 stops, over the limit of 1" helps nobody."""
    text = judge(good(evenness_stops=stops)).reasons[0].text
    assert f"{told}, over the limit" in text


def test_the_expected_error_is_told_where_no_other_reason_covers_it() -> None:
    """Common practice, no source: every reason says something to do, and none says it twice."""
    (alone,) = judge(good(matte_noise_dark=0.25)).reasons
    assert alone.measure == "expected_error"
    assert alone.text.endswith("most of it from noise on the screen's darkest part")
    assert alone.remedy.startswith("more light on the dark part")
    reasons = judge(good(matte_noise_dark=0.25, matte_noise=0.3)).reasons
    assert [reason.measure for reason in reasons] == ["matte_noise"]


def test_each_part_of_the_expected_error_has_a_remedy() -> None:
    """Common practice, no source."""
    assert PARTS.keys() == expected_parts(good()).keys()
    covered = {measure for measure, _ in PARTS.values() if measure}
    assert covered <= {row.measure for row in TABLE}
    assert all(remedy for _, remedy in PARTS.values())


def test_uneven_light_that_a_fitted_plate_carries_is_told_so() -> None:
    """Source: the trade's rule of half a stop and one stop; the battery's keys for the rest."""
    assert judge(good(evenness_stops=0.45)).reasons == []
    carried = judge(good(evenness_stops=1.5, matte_noise_dark=0.05)).reasons[0].text
    assert "common practice would relight" in carried
    assert "5 % of full alpha" in carried
    noisy_dark = judge(good(evenness_stops=1.5, matte_noise_dark=0.16)).reasons[0].text
    assert "common practice" not in noisy_dark


def test_the_expected_error_by_hand() -> None:
    """Source: the sum written out for one shot."""
    m = good(edge_share=0.1, key_bias=0.2, matte_noise=0.05, matte_noise_dark=0.22, spill=0.15)
    by_hand = 0.1 * (0.023 + 0.176 * 0.2 + 0.255 * 0.05) + 0.825 * 0.1**2 + 0.016 * 0.1
    assert expected_error(m) == pytest.approx(by_hand)
    assert main_part(m) == "noise on the screen's darkest part"
    assert expected_error(Measures(screen=True)) == 0


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


@pytest.mark.slow
@pytest.mark.parametrize("battery", [tuning, held_out], ids=["tuning", "held out"])
def test_verdicts_rank_as_the_keys_turn_out(battery: Callable[[], list[Look]]) -> None:
    """Source: exact truth; Spearman's rank correlation of score and measured SAD.

    40 set-ups that limits are tuned on, and 45 of other seeds and drawn values that were held out.
    """
    engine = CpuEngine(threads=2)
    outcomes = [turn_out(look, engine) for look in battery()]
    engine.close()
    assert len(outcomes) >= 30
    assert sum(o.look.moves for o in outcomes) >= 2
    for o in outcomes:
        if not o.look.has_screen:
            assert o.verdict.name == "no screen found", o.look.name
            assert np.isnan(o.sad)
    assert rank(outcomes) >= 0.8, table(outcomes)
    there = keyed(outcomes)
    third = len(there) // 3
    assert "relight" not in [o.verdict.name for o in there[:third]], table(outcomes)
    assert "keyable" not in [o.verdict.name for o in there[-third:]], table(outcomes)


def test_the_held_out_set_ups_are_not_those_tuned_on() -> None:
    """Common practice, no source: no seed, and no value of a trouble, is shared."""
    tuned, held = tuning(), held_out()
    assert len(held) >= 30
    assert not {look.seed for look in tuned} & {look.seed for look in held}
    for field in ("falloff_stops", "noise_a", "spill", "level_stops"):
        drawn = {getattr(look, field) for look in held}
        assert not {getattr(look, field) for look in tuned} & drawn


@pytest.mark.parametrize("look", [x for x in tuning() if x.moves], ids=lambda look: look.name)
def test_the_survey_tells_how_a_moving_camera_moves(look: Look) -> None:
    """Source: the set-ups' own camera path, of a pan, a hand-held camera and a tracking shot."""
    engine = CpuEngine(threads=1)
    outcome = turn_out(look, engine)
    engine.close()
    assert outcome.measures.camera_px == pytest.approx(moved_px(look, 0), abs=0.3)
    if moved_px(look, 0) > 4:
        assert "camera_px" in [reason.measure for reason in outcome.verdict.reasons]


def test_a_set_up_is_what_it_says() -> None:
    """Source: the compositing equation on noiseless light."""
    setup = make(Look("plain", noise_a=0.0, noise_b=0.0, lens_px=0.01, seed=3))
    light = setup.alpha * setup.foreground + (1 - setup.alpha) * setup.clean
    np.testing.assert_allclose(setup.plate, light, atol=1e-5)
    assert 0.05 < setup.alpha.mean() < 0.5
