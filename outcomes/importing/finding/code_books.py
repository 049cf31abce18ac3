"""What the files say about themselves: data dictionaries, code books, legends of colours and letters, notes."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from outcomes.importing.finding.page_tables import Region, Table
from outcomes.importing.language.cell_values import code_keys, reason_of, status_of
from outcomes.importing.language.code_pairs import pairs_of
from outcomes.importing.language.vocabulary import phrases, simple, spans, tokens, whole, within
from outcomes.importing.opening.pages import Ledger, Page, Variable

# "Meaning" may be of the variable or of a code; beside a column of codes it is of the code.
_DICTIONARY_WORDS = ("variable", "meaning", "label", "coding", "missing", "unit", "kind", "form", "low", "high")

# Names of colours, and the fills that spreadsheet programs offer under them (common practice, no source).
_NAMED_COLOURS = {
    "yellow gelb jaune": ("FFFF00",),
    "orange": ("FFC000", "FFA500"),
    "red rot rouge": ("FF0000", "C00000"),
    "green grun vert": ("00FF00", "00B050", "92D050"),
    "blue blau bleu": ("0000FF", "0070C0", "00B0F0"),
    "grey gray grau gris": ("808080", "A6A6A6", "BFBFBF", "C0C0C0", "D9D9D9"),
}


@dataclass
class Facts:
    """Everything explained somewhere in the files.

    variables: name of a column (simple text) -> what a dictionary says. codes: heading or role -> code -> words;
    general: codes that hold for every score. colours: fill -> words. struck: what striking through means.
    legend: letters of a heading -> words. sides: page -> instrument ("" for all) -> side. units: page -> unit.
    notes: texts outside tables, with their place.
    """

    variables: dict[str, Variable] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    general: dict[str, str] = field(default_factory=dict)
    colours: dict[str, str] = field(default_factory=dict)
    struck: str = ""
    legend: dict[str, str] = field(default_factory=dict)
    sides: dict[str, dict[str, str]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    notes: list[tuple[Page, int, int, str]] = field(default_factory=list)
    diagnosis: tuple[str, str] = ("", "")  # in words, and where it was found


def dictionary_columns(page: Page) -> dict[str, int] | None:
    """Which columns of a data dictionary say what; None where the page is none."""
    for row in range(1, min(page.last_row, 5) + 1):
        cells = {cell.column: cell.text for cell in page.row(row)}
        found: dict[str, int] = {}
        for column, text in cells.items():
            for word in _DICTIONARY_WORDS:
                if word not in found and _means(text, word):
                    found[word] = column
                    break
        explains = found.keys() & {"label", "coding", "meaning"}
        others = [column for column in cells if column not in found.values()]
        if "variable" in found and "meaning" in found and "coding" not in found and len(others) == 1:
            found["coding"] = others[0]  # variable, meaning, and what can only be the code between them
        if "meaning" in found and not found.keys() & {"coding", "label"}:
            found["label"] = found.pop("meaning")
        people = any(whole(text, "roles") == "participant" for text in cells.values())
        if "variable" in found and len(found) >= 2 and explains and not people and page.last_row > row:
            return found | {"row": row}
    return None


def _means(text: str, word: str) -> bool:
    from outcomes.importing.language.vocabulary import groups

    return simple(text) in {simple(entry) for entry in groups()["dictionary"][word]}


def read_dictionary(page: Page, columns: Mapping[str, int], facts: Facts, ledger: Ledger) -> None:
    """Takes a data dictionary (one row a variable, or one row a code) into the facts."""
    head = columns["row"]
    place = {word: column for word, column in columns.items() if word != "row"}
    rows: dict[str, list[dict[str, str]]] = {}
    name = ""
    for row in range(head + 1, page.last_row + 1):
        said = {word: page.text(row, column).strip() for word, column in place.items()}
        name = said["variable"] or name
        if name:
            rows.setdefault(name, []).append(said)
    for name, lines in rows.items():
        first = lines[0]
        codes: dict[str, str] = {}
        one_each = "meaning" in place or len(lines) > 1
        single = False
        for line in lines:
            coded = line.get("coding", "")
            if pairs := pairs_of(coded):
                codes.update(pairs)
            elif one_each and coded:
                codes[coded], single = line.get("meaning") or line.get("label", ""), True
        missing = pairs_of(first.get("missing", "")) or dict.fromkeys(
            re.findall(r"-?\d+", first.get("missing", "")), ""
        )
        label = "" if len(lines) > 1 and "meaning" not in place else first.get("label", "")
        if not label and not single:
            label = first.get("meaning", "")  # the codes stand in one cell with their words: this is the variable's
        facts.variables[simple(name)] = Variable(
            label=label,
            codes=code_keys({**codes, **missing}),
            missing=tuple(code_keys(missing)),
            unit=first.get("unit", ""),
            kind=first.get("kind", ""),
            form=first.get("form", ""),
            low=_number(first.get("low", "")),
            high=_number(first.get("high", "")),
        )
    for row, column in page.cells:
        ledger.put(page, row, column, "heading" if row <= head else "code", "data dictionary")


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def read_loose(page: Page, regions: Iterable[Region], tables: list[Table], facts: Facts, ledger: Ledger) -> None:
    """Reads what stands outside the tables of a page: code books, legends, notes."""
    headings = {
        simple(text) for table in tables for texts in table.heads.values() for text in (*texts, " ".join(texts))
    }
    for region in regions:
        for row in range(region.top, region.bottom + 1):
            cells = [page.cells[row, c] for c in range(region.left, region.right + 1) if (row, c) in page.cells]
            marks = [page.fills[row, c] for c in range(region.left, region.right + 1) if (row, c) in page.fills]
            texts = [cell.text.strip() for cell in cells if cell.text.strip()]
            if not texts:
                continue
            used = _code_line(texts, headings, facts) or _colour_line(texts, marks, cells, facts)
            for cell in cells:
                ledger.put(
                    page,
                    cell.row,
                    cell.column,
                    "code" if used else "remark",
                    "explains codes or marks" if used else "text outside the tables",
                )
                if not used:
                    _note(page, cell.row, cell.column, cell.text, facts)


def read_notes_of_tables(tables: list[Table], facts: Facts) -> None:
    """Titles and notes below, which may name a side, a unit, a code or a diagnosis."""
    for table in tables:
        if table.title:
            _note(table.page, 0, 0, table.title, facts)
        for line, why in table.aside.items():
            if why.startswith("note"):
                for place in table.heads:
                    cell = table.view.cell(line, place)
                    if cell:
                        texts = [c.text.strip() for p in table.heads if (c := table.view.cell(line, p))]
                        marks = [
                            table.page.fills[at]
                            for p in table.heads
                            if (at := table.view.at(line, p)) in table.page.fills
                        ]
                        if not _colour_line(texts, marks, [cell], facts):
                            _note(table.page, cell.row, cell.column, cell.text, facts)


def _code_line(texts: list[str], headings: set[str], facts: Facts) -> bool:
    """ "Sex | 1 | male": the heading, the code, the words; or the code and the words of every score."""
    if len(texts) < 3 or len(texts[1]) > 12:
        return False
    target, code, words = texts[0], texts[1], texts[2]
    entry = code_keys({code: words})
    role = whole(target, "roles")
    if simple(target) in headings or role:
        facts.codes.setdefault(simple(target), {}).update(entry)
        if role:
            facts.codes.setdefault(f"role {role}", {}).update(entry)
        return True
    if reason_of(words)[0] or simple(target).startswith(("any", "all", "every", "alle", "tous", "todos")):
        facts.general.update(entry)
        return True
    return False


def _colour_line(texts: list[str], marks: list[str], cells: list, facts: Facts) -> bool:
    """A coloured cell beside its meaning, or what striking through means."""
    fill = marks[0] if marks else next((cell.fill for cell in cells if cell.fill), "")
    text = " ".join(texts)
    if fill and len(text) < 120:
        facts.colours[fill] = text
        return True
    if re.search(
        r"(?i)\bstr(uck|ike)[- ]?(through|out)|\bdurchgestrichen|\bbarré|\btachad|\bbarrat|\bdoorgehaald", text
    ):
        facts.struck = text
        return True
    if match := re.match(r"\s*([^\W\d_]+)\s*[=:]\s*(.+)", text):
        fills = next((fills for names, fills in _NAMED_COLOURS.items() if simple(match[1]) in names.split()), ())
        for named in fills:
            facts.colours.setdefault(named, match[2])
        return bool(fills)
    return False


def _note(page: Page, row: int, column: int, text: str, facts: Facts) -> None:
    facts.notes.append((page, row, column, text))
    for code, words in pairs_of(text).items():
        key = next(iter(code_keys({code.split()[-1]: words})))
        if reason_of(words)[0] or status_of(words)[0]:
            facts.general[key] = words
        elif whole(words, "sexes") and not whole(words, "units"):
            facts.codes.setdefault("role sex", {})[key] = words
        elif whole(words, "sides"):
            for role in ("affected_side", "dominant_side", "side"):
                facts.codes.setdefault(f"role {role}", {})[key] = words
        elif target := re.match(r"\s*([^:=]+):", text):
            facts.codes.setdefault(simple(target[1]), {})[key] = words
            if role := whole(target[1], "roles"):
                facts.codes.setdefault(f"role {role}", {})[key] = words
    for part in re.split(r"[,;.]\s+|[,;]", text):
        match = re.match(r"\s*([A-Za-z]{1,3}(?:\s?\+\s?\w+)?)(\s*[=:]\s*|\s+)(\w.*)", part)
        if match is None or tokens(match[1]) in phrases("instruments", "roles"):
            continue  # "BBT with the splint on" says something of the test
        means = within if match[2].strip() else whole  # without a mark between them the words may be any sentence
        if means(match[3], "modes") or means(match[3], "conditions"):
            facts.legend.setdefault(simple(match[1]), match[3].strip())
    for sentence in re.split(r"\.\s|\n", text):
        named = [meaning for _, _, found in spans(tokens(sentence), "instruments") for _, meaning in found]
        side = [
            meaning
            for start, end, found in spans(tokens(sentence), "sides")
            for _, meaning in found
            if end - start > 1 or (len(tokens(sentence)[start]) > 4 and tokens(sentence)[start] != "other")
        ]
        if (
            len(set(side)) == 1
            and not any(whole(words, "sides") for words in pairs_of(sentence).values())  # "1 = left, 2 = right"
            and len(tokens(sentence)) > 2
            and not (row == 0 and named and len(tokens(sentence)) > 14)
        ):
            where = facts.sides.setdefault(page.name, {})
            head = re.split(r"[:]", sentence)[0]
            listed = (
                [meaning for _, _, found in spans(tokens(head), "instruments") for _, meaning in found]
                if ":" in sentence
                else named
            )
            for instrument in listed or [""]:
                where[instrument] = side[0]
        unit = [meaning for meaning in within(sentence, "units") if meaning in ("kgf", "lbf")]
        if len(set(unit)) == 1:
            facts.units[page.name] = unit[0]
        for meaning in within(sentence, "diagnoses"):
            if not facts.diagnosis[0] and row == 0 and not re.search(r"(?i)\bno\b|\bnot\b|without", sentence):
                facts.diagnosis = (meaning, f"{page.name}, title")
