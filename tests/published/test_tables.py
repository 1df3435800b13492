"""Every table here says where it comes from."""

from pathlib import Path

import pytest

HERE = Path(__file__).parent
TABLES = sorted(HERE.glob("*.csv"))


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.stem)
def test_a_table_names_its_page_and_says_whether_it_was_read(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    said = "\n".join(line for line in lines if line.startswith("#"))
    assert "p. " in said or "Pages: not known" in said
    assert any(words in said for words in ("Read first hand", "Read second hand", "From memory"))
