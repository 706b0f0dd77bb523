"""A small design and one yield of it, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design
from yieldsim.engine.settings import Settings

SMALL = Path(__file__).parent / "small.toml"


@pytest.fixture(scope="session")
def small() -> Design:
    return read_design(SMALL)


@pytest.fixture(scope="session")
def found(small: Design) -> YieldResult:
    return yields(small, Settings(units=64, actuations=8, threads=1))
