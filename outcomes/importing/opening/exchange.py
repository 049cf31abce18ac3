"""CDISC ODM files (an open standard, version 1.3): clinical data as one table, its metadata as a data dictionary."""

from pathlib import Path
from xml.etree.ElementTree import Element, iterparse

from outcomes.errors import StudyError
from outcomes.importing.opening.pages import Cell, Page, Variable

# Columns of the table, beside one per item.
KEYS = ("SubjectKey", "StudyEvent", "Form repeat", "Site")


def exchange_pages(path: Path) -> list[Page]:
    """One page per ODM file: a row per subject, event and repeated form, a column per item.

    Raises:
        StudyError: the file is no ODM file, or holds no clinical data.
    """
    root = _safe_root(path)
    if _tag(root) != "ODM":
        raise StudyError(f"{path.name}: found XML with <{_tag(root)}>, allowed is a CDISC ODM file. Export it as ODM.")
    items, events, known = _metadata(root)
    rows: dict[tuple[str, str, str, str], dict[str, str]] = {}
    order: list[str] = list(items)
    for subject in _all(root, "SubjectData"):
        key = subject.get("SubjectKey", "")
        site = next((entry.get("LocationOID", "") for entry in _all(subject, "SiteRef")), "")
        for group, event, repeat in _groups(subject):
            cells = rows.setdefault((key, events.get(event, event), repeat, site), {})
            for name, value in _values(group):
                if name not in order:
                    order.append(name)
                cells[name] = value
    if not rows:
        raise StudyError(f"{path.name}: the ODM file holds no clinical data. Export it with the data of the subjects.")
    repeats, sites = any(key[2] for key in rows), any(key[3] for key in rows)
    heads = [KEYS[0], KEYS[1], *([KEYS[2]] if repeats else []), *([KEYS[3]] if sites else [])]
    used = [name for name in order if any(name in cells for cells in rows.values())]
    table = [[*heads, *used]]
    for (key, event, repeat, site), cells in rows.items():
        lead = [key, event, *([repeat] if repeats else []), *([site] if sites else [])]
        table.append([*lead, *[cells.get(name, "") for name in used]])
    found = {
        (r, c): Cell(r, c, text, text)
        for r, row in enumerate(table, 1)
        for c, text in enumerate(row, 1)
        if text.strip()
    }
    page = Page(path.name, "", found, formal=True)
    page.variables = {len(heads) + n: known[name] for n, name in enumerate(used, 1) if name in known}
    return [page]


def _safe_root(path: Path) -> Element:
    """The tree, refusing documents with entities of their own (they can be made to grow without end)."""
    with path.open("rb") as file:
        if b"<!ENTITY" in file.read(20_000):
            raise StudyError(f"{path.name}: XML with entity declarations is not read. Export it again without them.")
    root = None
    for _, element in iterparse(path, events=("end",)):
        root = element
    assert root is not None  # of an empty file the parser says that it is no XML
    return root


def _tag(element: Element) -> str:
    return element.tag.rsplit("}", 1)[-1]


def _all(root: Element, name: str) -> list[Element]:
    return [element for element in root.iter() if _tag(element) == name]


def _text(element: Element | None) -> str:
    """The first translated text below an element."""
    if element is None:
        return ""
    for part in element.iter():
        if _tag(part) in ("TranslatedText", "Alias") and (part.text or "").strip():
            return " ".join((part.text or "").split())
    return " ".join((element.text or "").split())


def _child(element: Element, name: str) -> Element | None:
    return next((part for part in element if _tag(part) == name), None)


def _metadata(root: Element) -> tuple[dict[str, str], dict[str, str], dict[str, Variable]]:
    """Names of items by OID, labels of events by OID, and what is known of each item (by the name of its column)."""
    units = {
        unit.get("OID", ""): _text(_child(unit, "Symbol")) or unit.get("Name", "")
        for unit in _all(root, "MeasurementUnit")
    }
    lists = {}
    for entry in _all(root, "CodeList"):
        codes = {}
        for item in entry:
            if _tag(item) in ("CodeListItem", "EnumeratedItem"):
                codes[item.get("CodedValue", "")] = _text(_child(item, "Decode")) or item.get("CodedValue", "")
        lists[entry.get("OID", "")] = codes
    items, known = {}, {}
    for item in _all(root, "ItemDef"):
        name = item.get("OID", "")
        items[name] = name
        ref = _child(item, "CodeListRef")
        unit = _child(item, "MeasurementUnitRef")
        question = _text(_child(item, "Question")) or _text(_child(item, "Description")) or item.get("Name", "")
        known[name] = Variable(
            label=question,
            codes=lists.get(ref.get("CodeListOID", ""), {}) if ref is not None else {},
            unit=units.get(unit.get("MeasurementUnitOID", ""), "") if unit is not None else "",
            kind=item.get("DataType", ""),
        )
    events = {
        event.get("OID", ""): event.get("Name", "") or event.get("OID", "") for event in _all(root, "StudyEventDef")
    }
    return items, events, known


def _groups(subject: Element) -> list[tuple[Element, str, str]]:
    """Item groups of a subject with their event and the number of the repeat, "" where nothing repeats."""
    found = []
    for event in _all(subject, "StudyEventData"):
        name = event.get("StudyEventOID", "")
        for form in _all(event, "FormData"):
            for group in _all(form, "ItemGroupData"):
                repeat = group.get("ItemGroupRepeatKey") or form.get("FormRepeatKey") or ""
                found.append((group, name, "" if repeat in ("1", "0") and not _repeats(event, form, group) else repeat))
    return found


def _repeats(event: Element, form: Element, group: Element) -> bool:
    same_form = [f for f in _all(event, "FormData") if f.get("FormOID") == form.get("FormOID")]
    same_group = [g for g in _all(form, "ItemGroupData") if g.get("ItemGroupOID") == group.get("ItemGroupOID")]
    return len(same_form) > 1 or len(same_group) > 1


def _values(group: Element) -> list[tuple[str, str]]:
    """Items and values: `ItemData Value="..."`, or typed `ItemDataInteger` and the like."""
    found = []
    for item in group:
        if not _tag(item).startswith("ItemData"):
            continue
        value = item.get("Value")
        text = value if value is not None else " ".join((item.text or "").split())
        if item.get("IsNull") == "Yes":
            text = ""
        if text:
            found.append((item.get("ItemOID", ""), text))
    return found
