"""Public names with their docstrings as Markdown: what `reference/functions` holds."""

import inspect
import re
import tomllib
from importlib import import_module
from pathlib import Path

ROOTS = ("outcomes", "stats", "synthetic_cohort")
_PATHS = re.compile(r"\b(?:[a-z_]\w*\.)+(?=[A-Z_]\w*)")
_LINE = re.compile(r"^from (\.[\w.]*) import (\w+) as (\w+)$", re.M)


def front_doors() -> dict[str, dict[str, str]]:
    """Package -> public name -> module that holds it, as its `__init__.pyi` lists them."""
    found = {}
    for root in ROOTS:
        home = Path(import_module(root).__file__ or "").parent
        for path in sorted(home.rglob("__init__.pyi")):
            package = ".".join((root, *path.parent.relative_to(home).parts))
            listed = _LINE.findall(path.read_text(encoding="utf-8"))
            if listed:
                found[package] = {name: _absolute(package, where) for where, _, name in listed}
        if root not in found:
            found[root] = dict.fromkeys(sorted(getattr(import_module(root), "__all__", ())), root)
    return {package: names for package, names in found.items() if names}


def _absolute(package: str, relative: str) -> str:
    """ ".closed_form.means" seen from `stats.planning` is "stats.planning.closed_form.means"."""
    dots = len(relative) - len(relative.lstrip("."))
    parts = package.split(".")
    base = parts[: len(parts) - (dots - 1)]
    return ".".join([*base, *filter(None, relative.lstrip(".").split("."))])


def function_pages() -> dict[str, str]:
    """Page of each front door: every public name with its signature and docstring."""
    pages = {}
    for package, names in front_doors().items():
        doc = inspect.getdoc(import_module(package)) or ""
        parts = [f"# `{package}`", as_markdown(doc.partition("\n\n")[0]), _contract(package)]
        for name in sorted(names, key=str.lower):
            parts.append(_entry(package, name))
        pages[f"reference/functions/{package.replace('.', '_')}.md"] = "\n\n".join(parts) + "\n"
    index = ["# Functions", "Every public name, from the docstrings of the code.", "```{toctree}", ":maxdepth: 1", ""]
    index += [Path(name).stem for name in pages]
    pages["reference/functions/index.md"] = "\n".join([*index, "```", ""])
    return pages


def contracts() -> dict[str, dict[str, str]]:
    """Package -> errors, units and the page of methods with its sources, where a docstring does not say otherwise."""
    return tomllib.loads((Path(__file__).parent / "packages.toml").read_text(encoding="utf-8"))


def _contract(package: str) -> str:
    said = contracts()[package]
    return (
        f"Where a name below does not say otherwise. **Errors:** {said['errors']} **Units:** {said['units']} "
        f"**Formulas and sources:** [methods](../../methods/{said['methods']}.md). **Results** are frozen records: "
        "`frame(level=0.95)`, `sentence(level=0.95)` (a level outside 0 to 1 is a FitError), `notes`, `unit`, "
        "`n_participants`."
    )


def _entry(package: str, name: str) -> str:
    thing = getattr(import_module(package), name)
    parts = [f"## {name}"]
    if callable(thing):
        parts.append(f"```python\n{name}{_signature(thing)}\n```")
    parts.append(as_markdown(inspect.getdoc(thing) or ""))
    if inspect.isclass(thing):
        parts += _members(thing)
    return "\n\n".join(part for part in parts if part)


def _members(cls: type) -> list[str]:
    lines = []
    for name, member in sorted(vars(cls).items()):
        if name.startswith("_"):
            continue
        doc = inspect.getdoc(member if not isinstance(member, property) else member.fget)
        if doc and (inspect.isfunction(member) or isinstance(member, property)):
            shown = f"`{name}`" if isinstance(member, property) else f"`{name}{_signature(member)}`"
            lines.append(f"{shown}\n: " + as_markdown(doc).replace("\n", "\n  "))
    return lines


def _signature(thing) -> str:
    """The arguments, one a line where they are many; a record of shared keywords as its keys."""
    try:
        found = inspect.signature(thing)
    except (TypeError, ValueError):
        return "(...)"
    shown: list[str] = []
    keyword_only = False
    for one in found.parameters.values():
        if one.name in ("self", "cls"):
            continue
        if one.kind is one.KEYWORD_ONLY and not keyword_only:
            keyword_only = True
            if not any(text.startswith("*") for text in shown):
                shown.append("*")
        if one.kind is one.VAR_KEYWORD and (shared := _shared_keywords(one.annotation)):
            shown += [f"{name}=..." for name in shared]
            continue
        shown.append(_PATHS.sub("", str(one)))
    back = ""
    if found.return_annotation is not found.empty:
        back = f" -> {_PATHS.sub('', _annotation(found.return_annotation))}"
    line = f"({', '.join(shown)}){back}"
    inner = ",\n    ".join(shown)
    return line if len(line) <= 90 else f"(\n    {inner},\n){back}"


def _annotation(kind) -> str:
    return kind if isinstance(kind, str) else inspect.formatannotation(kind)


def _shared_keywords(annotation) -> list[str]:
    """Keys of a typed dictionary whose entries a function takes as keywords (`**named: Unpack[...]`)."""
    args = getattr(annotation, "__args__", ())
    keys = getattr(args[0], "__annotations__", {}) if args else {}
    return list(keys)


def as_markdown(doc: str) -> str:
    """A docstring as Markdown: paragraphs, indented sections, lists and examples."""
    blocks, fence = [], False
    for line in doc.splitlines():
        example = line.lstrip().startswith((">>>", "..."))
        if example and not fence:
            blocks += ["", "```python"]
            fence = True
        elif fence and not line.strip():
            blocks.append("```")
            fence = False
        blocks.append(line.strip() if fence else _escaped(line))
    if fence:
        blocks.append("```")
    return "\n".join(blocks).strip()


def _escaped(line: str) -> str:
    """Outside code: signs that Markdown would read as its own; sections such as "Raises:" in bold."""
    line = line.strip()
    if re.fullmatch(r"(?:Raises|Returns|Args|Arguments|Notes|Sources?|Examples?):", line):
        return f"\n**{line}**\n"
    parts = re.split(r"(`[^`]*`)", line)
    safe = [part if part.startswith("`") else re.sub(r"([<>$*{}\[\]|])", r"\\\1", part) for part in parts]
    text = "".join(safe)
    return f"\\{text}" if text.startswith("#") else text
