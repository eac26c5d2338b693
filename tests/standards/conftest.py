"""The data files of published tables."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

DATA = Path(__file__).parent.parent / "data"


@pytest.fixture
def data_csv():
    """Read a table of tests/data; its first line must name its source."""

    def read(name: str) -> pd.DataFrame:
        path = DATA / name
        with path.open(encoding="utf-8") as file:
            assert file.readline().startswith("# Source:"), f"{name} does not name its source"
        return pd.read_csv(path, comment="#")

    return read
