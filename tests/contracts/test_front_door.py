"""Every public name is there, documented, and loads from its own room."""

import inspect

import pytest

import replay


@pytest.mark.parametrize("name", replay.__all__)
def test_public_name_exists_and_is_documented(name):
    thing = getattr(replay, name)
    assert inspect.getdoc(thing)


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'fly'"):
        _ = replay.fly
