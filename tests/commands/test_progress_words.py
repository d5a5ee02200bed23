"""What the terminal says of a check when it ends."""

import pytest

from verifier.commands.progress import summary
from verifier.readings import Finding, Held, Verdict


def held(verdict: Verdict, value: float, remark: str) -> Held:
    return Held(
        reading="x", verdict=verdict, limit="at least 40 Mbit/s", source="test", rule="exact", value=value,
        unit="Mbit/s", lower=40.0, remark=remark,
    )  # fmt: skip


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.INCONCLUSIVE])
def test_what_a_probe_says_beside_its_value_is_on_screen_too_and_once(verdict: Verdict) -> None:
    """A lower bound that is read as a value misleads; a drop without its time helps nobody to find it."""
    both = (held(verdict, 80.2, "a lower bound"), held(verdict, 70.1, "a lower bound"))
    said = summary(Finding(verdict=verdict, reason="so much", held=both))
    assert said.endswith("; a lower bound") and said.count("a lower bound") == 1


def test_where_a_probe_says_nothing_beside_nothing_is_added() -> None:
    one = (held(Verdict.PASS, 80.2, ""),)
    assert summary(Finding(verdict=Verdict.PASS, held=one)).endswith("(at least 40 Mbit/s)")
