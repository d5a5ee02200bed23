"""A short form of the campaign: some points again, with fresh chance; and why looking has to be paid for."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import early_answer

from verifier.gather.heating import looks
from verifier.gather.heating.estimate import Samples, Spans, estimate

RUNS = 2000 if os.environ.get("VERIFIER_LONG") else 200
CHOSEN = [
    early_answer.Point("suite", 1000.0, "missing", "warms by 2 K", 0.1, "white"),
    early_answer.Point("learned", 580.0, "good", "warms by 2 K", 1.0, "remembers"),
    early_answer.Point("suite", 400.0, "missing", "steady", 1.0, "remembers"),
    early_answer.Point("suite", 1000.0, "three nodes", "steady", 0.1, "white"),
]


@pytest.mark.parametrize("point", CHOSEN, ids=lambda p: f"{p.span} {p.slow:g} {p.interface}")
def test_no_kind_of_error_is_more_frequent_than_the_risk(point: early_answer.Point) -> None:
    """With another seed than the calibration's; three standard deviations of the count are allowed for."""
    row = early_answer.row_of(point, RUNS, seed=77)
    most = RUNS * looks.RISK + 3 * np.sqrt(RUNS * looks.RISK)
    for kind, of in (("rise", "rise"), ("time constant", "fast")):
        counts = row["wrong"][str(looks.kappa(of))]
        assert counts[f"false pass, {kind}"] <= most
        assert counts[f"false fail, {kind}"] <= most


def test_nominal_intervals_looked_at_as_often_are_wrong_far_too_often() -> None:
    """Without the widening, and with the whole risk at each look: the reason for both."""
    point = early_answer.Point("suite", 1000.0, "missing", "warms by 2 K", 0.1, "remembers")
    found = early_answer.tensions(point, 100, np.random.default_rng(1), (1 + early_answer.BEYOND,), (1.0,))
    from scipy.special import stdtrit

    # Student's t at the whole risk instead of a tenth of it, for the few degrees of freedom that these have.
    cheaper = float(stdtrit(12, 1 - looks.RISK / looks.LOOKS) / stdtrit(12, 1 - looks.RISK))
    wrong = (found[f"rise {1 + early_answer.BEYOND}"][:, 0] * cheaper < -1).any(0).mean()
    assert wrong > 4 * looks.RISK


def test_the_campaign_decides_as_the_judge_does() -> None:
    """The half-width that the campaign reads off the tension, against the interval that a bench would state."""
    point = early_answer.Point("suite", 640.0, "good", "steady", 0.5, "white")
    runs, kappas = 12, (looks.kappa("rise"),)
    found = early_answer.tensions(point, runs, np.random.default_rng(9), (0.9, 1.1), kappas)
    t, rises, truth, *_ = early_answer.simulated(point, runs, np.random.default_rng(9))
    z, agreed, both = NormalDist().inv_cdf(1 - looks.RISK / looks.LOOKS), 0, 0
    for number, moment in enumerate(looks.moments(early_answer.MINIMUM, early_answer.LONGEST)):
        for run in range(runs):
            upto = int(moment / early_answer.STEP)
            # The campaign's rises have the air taken away already.
            samples = Samples(t[:upto], rises[run, :upto], np.zeros(upto))
            told = estimate(samples, Spans(*early_answer.SPANS["suite"]), float(t[-1]), step=0.5)
            u = np.hypot(looks.standard_uncertainty(told.rise), np.hypot(0.5, early_answer.AIR_STEP) / np.sqrt(12))
            for fraction in (0.9, 1.1):
                mine = found[f"rise {fraction}"][number, 0, run]
                judged = (told.value - truth / fraction) / (z * u)
                agreed += (abs(mine) > 1) == (abs(judged) > 1)
                both += 1
    assert agreed >= 0.95 * both
