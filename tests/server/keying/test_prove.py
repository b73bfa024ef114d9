"""Mattes judged without truth: each fault raises the figure that is named after it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from demo_media.families import FamilyShot, family_shot
from kernels.measure.survey import measure_frame
from kernels.recipe import Noise
from server.keying.arrange import USUAL
from server.keying.choose import Choice, Tried, choose
from server.keying.prove import Evidence, Proof, expected_error, gather_evidence, prove
from server.keying.prove import restlessness as restless
from server.keying.suggest import combine

Array = np.ndarray


@pytest.fixture(scope="module")
def shot() -> FamilyShot:
    return family_shot("workshop", "plain", 3, camera="half", width=320, height=180, frames=2)


@pytest.fixture(scope="module")
def found(shot: FamilyShot) -> list[Evidence]:
    measured = combine({0: measure_frame(shot.frames[0].plate, detail=False)}, 180, 320)
    assert measured is not None
    noise: Noise = measured.findings.noise
    return [
        gather_evidence(f.plate, f.clean_plate, noise, measured.findings.primary)
        for f in shot.frames
    ]


def test_each_fault_raises_its_own_figure(shot: FamilyShot, found: list[Evidence]) -> None:
    """Our own rule, no outside source: the true matte is spoilt in one way after another."""
    truth, evidence = shot.frames[0].alpha, found[0]
    best = prove(truth, evidence)
    rng = np.random.default_rng(4)
    bare = truth < 0.005
    noisy = truth + 0.05 * bare * np.abs(rng.standard_normal(truth.shape).astype(np.float32))
    hole = truth.copy()
    inside = cv2.erode((truth > 0.995).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    hole[inside] = 0.4
    fat = cv2.dilate(truth, np.ones((7, 7), np.uint8))
    thin = cv2.erode(truth, np.ones((7, 7), np.uint8))
    spoilt = {
        "bare_left": noisy,
        "grain": noisy,
        "solid_lost": hole,
        "half_inside": hole,
        "overfilled": fat,
        "missing": thin,
        "unexplained": thin,
    }
    for name, matte in spoilt.items():
        worse = prove(matte, evidence)
        assert getattr(worse, name) > 1.3 * getattr(best, name) + 1e-4, name
        assert expected_error(worse) > expected_error(best), name


def test_a_still_picture_keyed_twice_is_not_restless(found: list[Evidence]) -> None:
    """Our own rule, no outside source."""
    matte = np.zeros((180, 320), np.float32)
    other = matte + 0.1
    assert restless(matte, matte, found[0], found[0]) == 0
    assert restless(matte, other, found[0], found[0]) == pytest.approx(0.1, rel=1e-4)
    assert restless(matte, other, *found) < 0.1


def test_the_usual_arrangement_stands_without_an_alarm_and_says_so(shot: FamilyShot) -> None:
    """Our own rule, no outside source; one frame judged twice gives the same choice."""
    plate = shot.frames[0].plate
    measured = combine({0: measure_frame(plate, detail=False)}, 180, 320)
    assert measured is not None
    first, second = (choose(measured.findings, [plate], [measured.clean]) for _ in range(2))
    assert first == second
    assert first.taken == USUAL
    assert first.note.startswith(f"'{USUAL}'")
    figures = {t.arrangement: t.expected for t in first.tried}
    assert figures[USUAL] < figures["plain"]


def test_the_note_names_what_the_usual_arrangement_does_worse() -> None:
    """Our own rule, no outside source."""
    good = Proof(0, 0, 0, 0, 0, 0, 0)
    bad = Proof(0.2, 0, 0, 0, 0, 0, 0.001)
    tried = (Tried("three", bad, expected_error(bad)), Tried("open", good, 0.0))
    note = Choice(tried, "open").note
    assert note.startswith("'open'")
    assert "'three' has more matte left on bare screen" in note
