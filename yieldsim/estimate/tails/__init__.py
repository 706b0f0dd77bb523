"""Failure probabilities in the far tail: searches, subset simulation, importance sampling, and how they agree."""

from yieldsim.estimate.tails.answer import FailurePoint, MethodAnswer, TailAnswer
from yieldsim.estimate.tails.probability import failure_probability

__all__ = ["FailurePoint", "MethodAnswer", "TailAnswer", "failure_probability"]
