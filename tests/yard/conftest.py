import pytest
from tests.yard.acting import Yard


@pytest.fixture
def yard(db):
    return Yard()
