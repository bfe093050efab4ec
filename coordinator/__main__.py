"""`python -m coordinator <command>`: what other projects call manage.py.

The data folder must be known before the settings are read: `--data DIR` names it for every command, and
`demo --once --out DIR` works in a database of its own inside DIR.
"""

import os
import shutil
import sys
from pathlib import Path


def choose_data_folder(arguments: list[str]) -> list[str]:
    """Set FAIRBAND_DATA from the arguments and take `--data DIR` out of them."""
    rest, data, out = [], None, "var/demo"
    words = iter(arguments)
    for word in words:
        if word == "--data":
            data = next(words, None)
        elif word.startswith("--data="):
            data = word.partition("=")[2]
        else:
            rest.append(word)
            if word.startswith("--out="):
                out = word.partition("=")[2]
            elif word == "--out":
                out = next(words, out)
                rest.append(out)
    if "demo" in rest[:1] and "--once" in rest:
        for name in ("DATABASE_URL", "REDIS_URL"):
            os.environ.pop(name, None)
        data = str(Path(out) / "data")
        if Path(data, "fairband.sqlite3").exists():
            shutil.rmtree(data)
    if data:
        os.environ["FAIRBAND_DATA"] = str(Path(data).resolve())
    return rest


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coordinator.settings")
    # Django repeats argv[0] in its messages and in the auto-reloader.
    sys.argv = ["coordinator", *choose_data_folder(sys.argv[1:])]
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)
