"""A journal of finished batches, so that a simulation that was stopped goes on where it ended."""

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from stats.errors import PlanError


class Journal:
    """One JSON line per finished batch after a first line that says what is being simulated.

    A line cut off by a kill is dropped. A journal of another simulation is refused, never continued.
    """

    def __init__(self, path: str | Path, describes: Mapping[str, object]) -> None:
        self.path = Path(path)
        self.describes = json.loads(json.dumps(describes))
        self.done: dict[int, dict[str, np.ndarray]] = {}
        if self.path.exists() and self.path.stat().st_size:
            self._read()
        else:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self.path.write_text(json.dumps(self.describes) + "\n", encoding="utf-8")

    def add(self, batch: int, arrays: Mapping[str, np.ndarray]) -> None:
        """Keep a finished batch; the line is on disk when this returns."""
        line = json.dumps({"batch": batch, **{name: values.tolist() for name, values in arrays.items()}})
        with self.path.open("a", encoding="utf-8") as file:
            file.write(line + "\n")

    def _read(self) -> None:
        text = self.path.read_text(encoding="utf-8")
        whole = text[: text.rfind("\n") + 1]
        first, *lines = whole.splitlines() or [""]
        try:
            found = json.loads(first)
        except json.JSONDecodeError:
            raise PlanError(f"{self.path} is no simulation journal. Name another file, or delete it.") from None
        if found != self.describes:
            differs = [
                key for key in self.describes if not isinstance(found, dict) or found.get(key) != self.describes[key]
            ]
            raise PlanError(
                f"{self.path} belongs to another simulation (it differs in {', '.join(differs) or 'its fields'}). "
                "Name another file, or delete it to start again."
            )
        for line in lines:
            entry = json.loads(line)
            self.done[int(entry.pop("batch"))] = {name: np.array(values) for name, values in entry.items()}
        if len(whole) < len(text):
            self.path.write_text(whole, encoding="utf-8")
