"""Nothing of the kit asks the network for anything or writes outside the folders it is given: no sockets, no home."""

import os
import subprocess
import sys
from pathlib import Path

from tests.damage.good_folders import write

ROOT = Path(__file__).resolve().parents[3]
CODE = """
import socket, sys

def refused(*args, **named):
    raise SystemExit(f"a connection was asked for: {args}")

for name in ("create_connection", "getaddrinfo", "gethostbyname"):
    setattr(socket, name, refused)
socket.socket.connect = socket.socket.connect_ex = socket.socket.bind = refused

from notebooks.commands import main
from outcomes import read_study, score
from stats import fit_change

folder, copy = sys.argv[1:]
main(["check", folder])
study = read_study(folder)
scores = score(study)
print(len(scores.index), "scores")
main(["thresholds", "fma_ue"])
from outcomes.sharing.shared_tables import shared_tables
print(len(shared_tables(study, "seed", set()).tables), "tables")
"""


def test_without_sockets_and_without_a_home(tmp_path):
    folder = write("plexus", "xlsx", tmp_path / "study")
    before = {path.relative_to(tmp_path) for path in tmp_path.rglob("*")}
    environment = {
        name: value for name, value in os.environ.items() if name in ("PATH", "LANG", "SYSTEMROOT", "TMPDIR")
    }
    environment |= {"PYTHONPATH": str(ROOT), "HOME": str(tmp_path / "nowhere"), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(folder), str(tmp_path / "copy")],
        env=environment, capture_output=True, text=True, timeout=300, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert "scores" in done.stdout
    assert "tables" in done.stdout
    assert "Traceback" not in done.stderr
    assert {path.relative_to(tmp_path) for path in tmp_path.rglob("*")} == before
