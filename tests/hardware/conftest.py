import pytest
from board_rig import PwmMock, Tree


@pytest.fixture
def tree(tmp_path):
    return Tree(tmp_path)


@pytest.fixture
def factory():
    mock = PwmMock()
    yield mock
    mock.reset()
