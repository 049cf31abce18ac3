"""A shared study as one CDISC ODM file (Operational Data Model 1.3, an open standard), which `outcomes import` reads.

One form with one group of items at every visit; an item is an answer, a score or a trial of one hand and condition,
and its question names it by the ids of the catalogue ("fma_ue.motor score left"). Facts of people stand in the first
event. A word for a missing number is the value of its item, and the item is then text.
"""

from datetime import UTC, datetime
from pathlib import Path
from xml.etree.ElementTree import Element, ElementTree, SubElement, indent

import pandas as pd

from outcomes.columns import NOT_A_NUMBER
from outcomes.protocol.trial import Protocol
from outcomes.sharing.standard_tables import FOLDER, plain_text

_SPACE = "http://www.cdisc.org/ns/odm/v1.3"
_STUDY, _PLAN, _FORM, _GROUP = "ST.SHARED", "MDV.1", "F.MEASURES", "IG.MEASURES"
_FACTS = ("arm", "age", "sex", "affected_side", "dominant_side", "diagnosis")
_Cells = dict[tuple[str, str], dict[str, str]]  # (participant, visit) -> name of the item -> value


def write_file(folder: Path, tables: dict[str, pd.DataFrame], protocol: Protocol) -> Path:
    """Writes `cdisc/odm.xml` of the tables of a shared copy. Returns the file."""
    values, units = measured(tables)
    first = protocol.visits[0].id
    for person in tables["participants"].to_dict("records"):
        facts = {name: plain_text(person.get(name)) for name in _FACTS}
        values.setdefault((str(person["participant"]), first), {}).update({k: v for k, v in facts.items() if v})
    names = list(dict.fromkeys(name for cells in values.values() for name in cells))
    oids = {name: f"I.{number}" for number, name in enumerate(names, 1)}
    root = Element("ODM", {"xmlns": _SPACE, "ODMVersion": "1.3.2", "FileType": "Snapshot", "FileOID": _STUDY})
    root.set("CreationDateTime", datetime.now(UTC).isoformat(timespec="seconds"))
    _plan(root, values, units, oids, protocol)
    _data(root, values, oids, protocol)
    path = folder / FOLDER / "odm.xml"
    path.parent.mkdir(exist_ok=True)
    indent(root)
    ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)
    return path


def measured(tables: dict[str, pd.DataFrame]) -> tuple[_Cells, dict[str, str]]:
    """The values of each participant and visit by the name of their item, and the units of items."""
    values: _Cells = {}
    units: dict[str, str] = {}
    for table in ("items", "totals", "trials"):
        for cells in tables[table].to_dict("records") if table in tables else ():
            name = _name(table, cells)
            values.setdefault((str(cells["participant"]), str(cells["visit"])), {}).setdefault(
                name, plain_text(cells["value"])
            )
            if unit := plain_text(cells.get("unit")):
                units[name] = unit
    return values, units


def _name(table: str, cells: dict) -> str:
    what = {"items": cells.get("item"), "totals": cells.get("scale"), "trials": "force"}[table]
    parts = [f"{cells['instrument']}.{what}", "score" if table == "totals" else "", plain_text(cells.get("side"))]
    condition = plain_text(cells.get("condition"))
    parts += ["" if condition == "unassisted" else condition]
    parts += [f"trial {plain_text(cells['trial'])}"] if table == "trials" else []
    return " ".join(filter(None, parts))


def _plan(root: Element, values: _Cells, units: dict[str, str], oids: dict[str, str], protocol: Protocol) -> None:
    """The study with its events, the one form and every item."""
    study = SubElement(root, "Study", OID=_STUDY)
    facts = SubElement(study, "GlobalVariables")
    for tag, text in (("StudyName", protocol.title), ("StudyDescription", protocol.title), ("ProtocolName", "SHARED")):
        SubElement(facts, tag).text = text
    basics = SubElement(study, "BasicDefinitions")
    for unit in sorted(set(units.values())):
        said = SubElement(SubElement(basics, "MeasurementUnit", OID=f"MU.{unit}", Name=unit), "Symbol")
        SubElement(said, "TranslatedText").text = unit
    plan = SubElement(study, "MetaDataVersion", OID=_PLAN, Name="1")
    order = SubElement(plan, "Protocol")
    for number, visit in enumerate(protocol.visits, 1):
        SubElement(order, "StudyEventRef", StudyEventOID=f"SE.{visit.id}", OrderNumber=str(number), Mandatory="No")
    for visit in protocol.visits:
        event = SubElement(
            plan, "StudyEventDef", OID=f"SE.{visit.id}", Name=visit.label, Repeating="No", Type="Scheduled"
        )
        SubElement(event, "FormRef", FormOID=_FORM, Mandatory="No")
    form = SubElement(plan, "FormDef", OID=_FORM, Name="Measures", Repeating="No")
    SubElement(form, "ItemGroupRef", ItemGroupOID=_GROUP, Mandatory="No")
    group = SubElement(plan, "ItemGroupDef", OID=_GROUP, Name="Measures", Repeating="No")
    for oid in oids.values():
        SubElement(group, "ItemRef", ItemOID=oid, Mandatory="No")
    worded = {name for cells in values.values() for name, value in cells.items() if not _number(value)}
    for name, oid in oids.items():
        kind = "text" if name in worded else "float"
        item = SubElement(plan, "ItemDef", OID=oid, Name=name, DataType=kind)
        SubElement(SubElement(item, "Question"), "TranslatedText").text = (
            name.replace("_", " ") if name in _FACTS else name
        )
        if name in units:
            SubElement(item, "MeasurementUnitRef", MeasurementUnitOID=f"MU.{units[name]}")


def _data(root: Element, values: _Cells, oids: dict[str, str], protocol: Protocol) -> None:
    data = SubElement(root, "ClinicalData", StudyOID=_STUDY, MetaDataVersionOID=_PLAN)
    order = {visit.id: number for number, visit in enumerate(protocol.visits)}
    for who in sorted({who for who, _ in values}):
        subject = SubElement(data, "SubjectData", SubjectKey=who)
        visits = sorted({visit for person, visit in values if person == who}, key=lambda v: order.get(v, len(order)))
        for visit in visits:
            event = SubElement(subject, "StudyEventData", StudyEventOID=f"SE.{visit}")
            group = SubElement(SubElement(event, "FormData", FormOID=_FORM), "ItemGroupData", ItemGroupOID=_GROUP)
            for name, value in values[who, visit].items():
                SubElement(group, "ItemData", ItemOID=oids[name], Value=value)


def _number(value: str) -> bool:
    return value not in NOT_A_NUMBER and value.replace(".", "", 1).replace("-", "", 1).isdigit()
