"""The flags: words that fit the column, sentences that a person can act on."""

from __future__ import annotations

import re

from calib.table.columns import COLUMNS
from calib.table.flags import FLAGS


def test_names_fit_the_column_and_the_dictionary() -> None:
    pattern = next(column.pattern for column in COLUMNS if column.name == "flags")
    for name, flag in FLAGS.items():
        assert flag.name == name
        assert re.fullmatch(pattern, name)


def test_sentences_say_what_it_means_and_what_to_do() -> None:
    for flag in FLAGS.values():
        assert flag.sentence.endswith(".")
        assert flag.sentence[0].isupper()
        assert "  " not in flag.sentence
        # One sentence of meaning and one of advice, or both in one of some length.
        assert 60 < len(flag.sentence) < 300
    assert len({flag.sentence for flag in FLAGS.values()}) == len(FLAGS)


def test_what_the_contract_leaves_out_of_answers_does_not_keep_its_colour() -> None:
    for name in ("blank", "clipped", "fluorescent"):
        assert not FLAGS[name].keeps_colour
    for name in ("mottled", "out-of-srgb", "half-filled", "predicted", "no-strip", "photo"):
        assert FLAGS[name].keeps_colour
