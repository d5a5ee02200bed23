"""How sure a fraction is: exact intervals for a proportion."""

from __future__ import annotations

from verifier.judge.proportions import clopper_pearson

__all__ = ["clopper_pearson"]
