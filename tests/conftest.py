"""What all tests share: one thread for matrix products, and the option for the long forms."""

from __future__ import annotations

import os

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the same bits on every machine


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="run the long forms of checks as well")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--full"):
        return
    skip = pytest.mark.skip(reason="the long form; run with --full")
    for item in items:
        if "full" in item.keywords:
            item.add_marker(skip)
