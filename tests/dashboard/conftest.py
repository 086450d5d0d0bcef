from pathlib import Path

import pytest
from flask.testing import FlaskClient

from analysis.store import Store
from dashboard.app import create_app
from dashboard.data import Data


@pytest.fixture(scope="session")
def sample_data(sample_store: Path) -> Data:
    return Data(sample_store)


@pytest.fixture(scope="session")
def sample_client(sample_data: Data) -> FlaskClient:
    """Return who asks an application that serves the samples; ask it only for what it reads."""
    return create_app(sample_data).server.test_client()


@pytest.fixture
def empty_data(store: Store) -> Data:
    return Data(store.folder)
