from pathlib import Path

import pytest

from analysis.store import Store
from dashboard.data import Data


@pytest.fixture(scope="session")
def sample_data(sample_store: Path) -> Data:
    return Data(sample_store)


@pytest.fixture
def empty_data(store: Store) -> Data:
    return Data(store.folder)
