"""What lint can say beforehand must be what the judge would say afterwards."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare.decidable import undecidable
from verifier.declare.suite import Check, Decision
from verifier.judge import decision
from verifier.judge.uncertainty import combine, stated


def check(*statements: dict[str, object], **limit: object) -> Check:
    return Check.model_validate({
        "id": "c", "title": "C", "probe": "p", "uncertainty": [{"reading": "a", "source": "s",
        **s} for s in statements],
        "limits": [{"reading": "a", **limit}],
    })  # fmt: skip


def said(made: Check, rule: Decision | None = None) -> str | None:
    return undecidable(made, made.limits[0], rule or Decision(), "V")


def test_says_which_uncertainty_would_do() -> None:
    """k = Φ⁻¹(0.9875) = 2.2414, recomputed with scipy.stats: 0.1/2.2414 = 0.0446."""
    message = said(check({"u": 60, "unit": "mV"}, at_least=4.9, at_most=5.1, unit="V"))
    assert message is not None
    assert "u = 0.06 V" in message and "0.0446 V" in message
    assert said(check({"u": 40, "unit": "mV"}, nominal=5, tolerance=0.1, unit="V")) is None
    assert said(check({"u": 60, "unit": "mV"}, at_most=5.1, unit="V")) is None, (
        "one-sided always decides somewhere"
    )
    assert said(check({"u": 60, "unit": "mV"}, at_least=4.9, at_most=5.1), Decision(rule="simple")) is None  # type: ignore[arg-type]
    assert "half-width" in str(said(check({"half_width": 0.11}, nominal=5, tolerance=0.1, unit="V")))
    assert said(check({"u": 1, "unit": "A"}, nominal=5, tolerance=0.1, unit="V")) is None


statements = st.one_of(
    st.builds(lambda u: {"u": u}, st.floats(0.01, 3)), st.builds(lambda a: {"half_width": a}, st.floats(0.01, 3))
)


@given(st.lists(statements, min_size=1, max_size=3), st.floats(0.1, 3), st.floats(0.005, 0.2))
def test_never_refuses_what_the_judge_could_accept(
    given: list[dict[str, object]], half: float, risk: float
) -> None:
    made = check(*given, nominal=0.0, tolerance=half, unit="V")
    if said(made, Decision(max_false_accept=risk)) is not None:
        distribution = combine(stated(made.uncertainty, "a", "V")).distribution
        limits = decision.acceptance_limits(-half, half, distribution, risk)
        assert limits is None or limits[1] == pytest.approx(0.0, abs=0.02 * half)
