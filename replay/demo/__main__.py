"""Write the sample logs anew: ``python -m replay.demo [FOLDER]``."""

from __future__ import annotations

import sys

from replay.demo.writing.sample import write_sample

if __name__ == "__main__":
    for path in write_sample(*sys.argv[1:2]):
        print(path)
