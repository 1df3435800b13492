"""What the tests of the harness have in common."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.faults.harness import Yard


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Callable[..., Yard]]:
    made: list[Yard] = []

    def make(**options: object) -> Yard:
        made.append(Yard(tmp_path / f"yard-{len(made)}", **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.close()
