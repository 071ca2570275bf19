"""Answers that do not depend on what was said."""

from __future__ import annotations

import pytest

from service.pipeline.prompts import prompt_of

ALL = bytes((7 * value + 3) % 256 for value in range(256))


@pytest.mark.parametrize("prompt", [b"?", b"> ", b"\r\n> ", b"wait"])
def test_one_answer_to_everything_is_a_prompt_whatever_its_length(prompt: bytes) -> None:
    """The answers repeat, what was said does not."""
    found = prompt_of(ALL, prompt * len(ALL))
    assert found is not None
    assert sorted(found) == sorted(prompt)


def test_a_greeting_before_the_first_prompt_hides_nothing() -> None:
    """Boot loaders say their name once."""
    assert prompt_of(ALL, b"loader 1" + b"?" * 256) == b"?"


@pytest.mark.parametrize(
    ("said", "answered"),
    [
        (ALL, ALL),
        (ALL, b""),
        (ALL, bytes(value & 0x5F for value in ALL)),
        (b"Tide 7", b"TIDE 7"),
        (b"UUUUUUUU", b"UUUUUUUU"),
        (b"abababababcd", b"ABABABABABCD"),
        (b"Tid", b"???"),
    ],
)
def test_answers_that_follow_what_was_said_are_no_prompt(said: bytes, answered: bytes) -> None:
    """Nor is silence, a text that repeats itself, or too little to tell."""
    assert prompt_of(said, answered) is None
