"""Mutated sheets through map, deidentify, check: a sentence or tables; 10,000 in bench/mutated_sheets.py."""

import sys
from pathlib import Path

import pytest

from analytics.identifiers import new_key

sys.path.insert(0, str(Path(__file__).parent / "bench"))
import mutated_sheets

EACH = 10


@pytest.mark.parametrize("batch", range(6))
def test_a_mutated_sheet_is_a_sentence_or_tables(batch, tmp_path):
    """No other exception, no changed source, no foreign file, no value of a cell in a message."""
    (tmp_path / "safe").mkdir()
    new_key(tmp_path / "safe" / "key")
    for n in range(EACH * batch, EACH * (batch + 1)):
        (tmp_path / str(n)).mkdir()
        mutated_sheets.one(n, tmp_path / str(n), tmp_path / "safe" / "key")
