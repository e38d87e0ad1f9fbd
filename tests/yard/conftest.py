import pytest
from tests.yard.acting import Yard

from heapwright.yard import proofs


@pytest.fixture
def yard(db):
    proofs._judged.cache_clear()  # lots of the test before had the same ids; a site's never do
    return Yard()
