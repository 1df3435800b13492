"""Build the manual: `python -m deploy.manual [FOLDER]` writes its pages into build/manual."""

import sys
from pathlib import Path

from sphinx.cmd.build import build_main

HERE = Path(__file__).parent
INTO = HERE.parents[1] / "build" / "manual"


def build(into: Path) -> int:
    """Write the manual's pages; whatever Sphinx warns of is an error.

    Parameters
    ----------
    into : Path
        Folder for the pages; what Sphinx remembers lies in `.doctrees` beside them.

    Returns
    -------
    int
        Exit status of Sphinx.
    """
    pages = ("-c", str(HERE), "-d", str(into / ".doctrees"), str(HERE / "pages"), str(into))
    return build_main(["-b", "html", "-E", "-a", "-W", "--keep-going", "-n", "-q", *pages])


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else INTO
    status = build(folder)
    if status == 0:
        sys.stdout.write(f"{folder / 'index.html'}\n")
    sys.exit(status)
