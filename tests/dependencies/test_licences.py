"""Every pinned dependency has a licence on the list, and none that a user could not keep beside the kit's MIT."""

import csv
import re

from tests.dependencies.licences import HERE, pinned

# Terms of open licences as their metadata write them (SPDX names and trove classifiers).
OPEN = re.compile(
    r"MIT|BSD|Apache|ISC|PSF|Python Software Foundation|MPL|Mozilla|Unlicense|Zlib|HPND|CNRI|CC0|LGPL|Public Domain",
    re.IGNORECASE,
)
# Others, each looked at: who passes on the kit together with pingouin passes it on under the terms of the GPL.
KNOWN = {
    "pingouin": "GPL-3.0, imported for two analyses",
    "codespell": "GPL-2.0, a tool beside the tests, never imported",
    "axe-playwright-python": "MIT in its repository, nothing in its metadata",
}


def test_every_pinned_package_is_on_the_list_with_an_open_licence():
    with HERE.open(encoding="utf-8", newline="") as file:
        listed = {row["package"]: row["licence"] for row in csv.DictReader(file)}
    assert set(listed) == set(pinned())
    odd = {name: text for name, text in listed.items() if not OPEN.search(text) and name not in KNOWN}
    assert odd == {}
