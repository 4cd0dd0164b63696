import pytest

from tests.sessions.chain import Chain, make_chain


@pytest.fixture
def chain(cast, settings, tmp_path) -> Chain:
    settings.MEDIA_ROOT = tmp_path
    return make_chain(cast)
