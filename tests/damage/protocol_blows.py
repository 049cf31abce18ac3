"""Damages to a study.toml: values of every other kind, keys lost or doubled, bytes changed, text that would run."""

import random
import re
import tomllib
from dataclasses import dataclass

MARK = "/tmp/a_damaged_protocol_has_run"  # what the hostile texts would write, if anything ran them
RUN = f'__import__("os").system("touch {MARK}")'
JUNK = (
    "[]", "{}", '""', '" "', "true", "false", "0", "-1", "1e308", "-1e308", "nan", "inf", "-inf", "9" * 400, "7" * 5000,
    "0x" + "f" * 300, "1.5", '"abc"', '["a"]', "[1, 2]", "[[1]]", "[{}]", "[" * 30 + "]" * 30, "[" * 3000 + "]" * 3000,
    "{a = 1}", "{a = {b = {c = 1}}}", "2025-01-01", "2025-01-01T10:00:00", "10:00:00", '"\\u200b"',
    '"' + "x" * 20_000 + '"',
    "'''1 + {" + RUN + "*0 + time}'''", "'''" + RUN + "'''", "'{np.f2py.os.system(\"touch " + MARK + "\")*0+time}'",
    "['''" + RUN + "''']", '"../../etc/passwd"', '"C:\\\\x.csv"', '"=1+1"', '"<script>alert(1)</script>"',
    '"%s%n"', '"\\n\\n"', '["a", "a"]', '[""]', "[nan]", "[inf, 1]", "[[7, -7]]", "[-7]", "[7, -7]", '["1", "2"]',
)  # fmt: skip


@dataclass(frozen=True)
class ProtocolBlow:
    """What was done. planned: a key of the plan now has another value: accepted, it must be in the plan or be told."""

    says: str
    planned: bool = False


_VALUE = re.compile(r"^(\s*[\w.\"' -]+?\s*=\s*)(.+)$")
_WORDS_ONLY = ("title", "label", "reason")  # of people, not of the plan


def _same(one: str, other: str) -> bool:
    """Whether two texts are one value: 0 and 0.0 are one number."""
    try:
        return tomllib.loads(f"a = {one}") == tomllib.loads(f"a = {other}")
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return one.strip() == other.strip()


def strike(text: str, rng: random.Random) -> tuple[str, ProtocolBlow]:
    """One damage to the text of a protocol."""
    lines = text.splitlines()
    values = [row for row, line in enumerate(lines) if _VALUE.match(line) and not line.lstrip().startswith("#")]
    what = rng.choice(["value"] * 6 + ["lost", "twice", "key", "header", "bytes", "cut", "moved", "added", "added"])
    row = rng.choice(values)
    if what == "value":
        before = _VALUE.match(lines[row])
        assert before is not None
        junk = rng.choice(JUNK)
        key = before[1].strip(" =\"'")
        planned = not _same(junk, before[2]) and key not in _WORDS_ONLY
        lines[row] = before[1] + junk
        return "\n".join(lines), ProtocolBlow(f"{key} = {junk[:40]}", planned)
    if what == "lost":
        return "\n".join(lines[:row] + lines[row + 1 :]), ProtocolBlow(f"lost: {lines[row][:40]}")
    if what == "twice":
        return "\n".join([*lines[:row], lines[row], *lines[row:]]), ProtocolBlow(f"twice: {lines[row][:40]}")
    if what == "key":
        lines[row] = rng.choice(["x", "a.b", '"quoted key"', "", "=", "[", "a = 1 #"]) + lines[row]
        return "\n".join(lines), ProtocolBlow(f"key: {lines[row][:40]}")
    if what == "header":
        heads = [k for k, line in enumerate(lines) if line.startswith("[")]
        head = rng.choice(heads)
        lines[head] = rng.choice(["", "[", "[[x]]", "[x]", lines[head].strip("[]"), f"[{lines[head]}]", "[model]"])
        return "\n".join(lines), ProtocolBlow(f"header: {lines[head]}")
    if what == "bytes":
        raw = list(text)
        for _ in range(rng.randrange(1, 5)):
            raw[rng.randrange(len(raw))] = rng.choice(
                ["", "\0", '"', "[", "]", "=", "\n", "#", "é", "\u200b", "9", "-"]
            )
        return "".join(raw), ProtocolBlow("characters changed")
    if what == "cut":
        place = rng.randrange(len(text))
        return text[:place], ProtocolBlow(f"cut at {place}")
    if what == "moved":
        rng.shuffle(lines)
        return "\n".join(lines), ProtocolBlow("lines in another order")
    key = rng.choice(["random", "covariates", "knots", "covariance", "baseline", "time", "method", "df", "by_arm"])
    junk = rng.choice(JUNK)
    table = rng.choice(["[[sensitivity]]\nlabel = 'added'", "[[wide]]\nfile = '../x.csv'", "[[criteria]]\nid = 'added'",
                        "[[departures]]", "[both_hands]", "[[periods]]", "[measures.'a.b']"])  # fmt: skip
    return f"{text}\n{table}\n{key} = {junk}\n", ProtocolBlow(f"added: {table[:20]} {key} = {junk[:30]}")
