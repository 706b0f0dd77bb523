"""Draws of link, press and message given an outcome: run through the physics they give that outcome again."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition
from yieldsim.engine.given_outcome import draws_given
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import chances_of, list_strata
from yieldsim.kernel import layout as at

BENCH = Condition(25.0, 0.0)


def strata_of(response: Response):
    base, scale = response.unit_base(np.arange(64), BENCH)
    chances = chances_of(response, base, scale)
    return list_strata(response, chances, 1e-6), chances


@pytest.mark.parametrize("path", ["tests/analysis/small.toml", "configs/valve-turn.toml"])
def test_drawn_outcomes_are_the_outcome(path: str) -> None:
    response = Response(read_design(path), Settings())
    (strata, _), chances = strata_of(response)
    rng = np.random.default_rng(3)
    assert len(strata) >= 3
    for stratum in strata[:8]:
        points = rng.random((40, len(response.dimensions)))
        free = points.copy()
        for axis, u in draws_given(response, chances, stratum, 40, rng).items():
            points[:, axis] = u
        values, codes = response.respond(points, BENCH)
        planned, planned_codes = response.respond(free, BENCH, plan=stratum.plan(response.kernel.attempts))
        # the margin of what was drawn is the margin of what is planned: an acknowledgement that is lost costs a frame
        # lost
        assert np.array_equal(codes[:, at.ATTEMPTS_USED], planned_codes[:, at.ATTEMPTS_USED])
        assert np.allclose(values[:, at.VOLTAGE_MARGIN], planned[:, at.VOLTAGE_MARGIN], atol=1e-9)
        if stratum.acknowledged:
            assert np.array_equal(codes[:, at.OUTCOME], planned_codes[:, at.OUTCOME])
    # negative control: plain draws give the commonest outcome nearly always
    plain = response.respond(rng.random((40, len(response.dimensions))), BENCH)[1]
    assert np.mean(plain[:, at.ATTEMPTS_USED] == 1) > 0.8


def test_lost_attempts_lose_frame_or_acknowledgement_as_often_as_it_happens() -> None:
    # small.toml: a frame is lost in 1 %, its acknowledgement in 0.5 % of those that arrive
    response = Response(read_design("tests/analysis/small.toml"), Settings())
    (strata, _), chances = strata_of(response)
    lost = next(s for s in strata if len(s.tries) == 2 and s.acknowledged)
    found = draws_given(response, chances, lost, 20000, np.random.default_rng(1))
    names = {(response.dimensions[k].name, response.dimensions[k].attempt): u for k, u in found.items()}
    of_frame = np.mean(names["link.frame_loss", 0] < 0.01)
    expected = 0.01 / (0.01 + 0.99 * 0.005)
    assert abs(of_frame - expected) < 4.0 * np.sqrt(expected * (1.0 - expected) / 20000)
    assert np.all((names["link.frame_loss", 0] < 0.01) | (names["link.acknowledgement_loss", 0] < 0.005))
    assert names["link.frame_loss", 1].min() >= 0.01
