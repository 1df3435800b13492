"""A small file that is replaced whole or not at all."""

import os


def replace(path, data):
    """Write `data` beside `path`, then put it in its place: littlefs does the second in one step."""
    new = path + ".new"
    with open(new, "wb") as file:
        file.write(data)
    try:
        os.rename(new, path)
    except OSError:  # FAT does not rename over a file
        os.remove(path)
        os.rename(new, path)


def read(path):
    """Content; None where there is no such file."""
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError:
        return None


def make_folder(path):
    try:
        os.mkdir(path)
    except OSError:
        pass  # it is there; where it cannot be made the first write says so
