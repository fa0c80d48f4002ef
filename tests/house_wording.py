"""Gathers every sentence that a person reads, and joins it with its translations: ``python -m tests.house_wording``.

A sentence is what the code already holds: a text, or an f-string whose values are its named places. They are read from the
sources, so no call site is marked and none can be forgotten. ``audit/wording/{de,fr}.po`` are what translators edit (gettext PO,
through Babel); ``audit/wording/{de,fr}.json`` is the same as the program reads it. Run without arguments it brings both up to
date: new sentences come in untranslated, what no source says any more goes out.
"""

from __future__ import annotations

import ast
import json
import re
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from io import BytesIO
from pathlib import Path
from string import Formatter
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

ROOT = Path(__file__).resolve().parent.parent
WORDING = ROOT / "audit" / "wording"
LANGUAGES = ("de", "fr")

#: Rooms whose texts nobody reads: simulated devices, the database's migrations, and this catalogue itself.
_SILENT = ("audit/devices", "audit/logbook/migrations", "audit/wording", "audit/cli/json_page.py", "audit/plan/page.py",
           "audit/measure/losses.py", "audit/measure/single.py", "audit/measure/soiling.py", "audit/measure/scatter.py",
           "audit/measure/lasting.py", "audit/measure/turned.py", "audit/photos/guard.py", "audit/children.py", "audit/logs.py", "audit/compute.py", "audit/report/geopackage.py", "audit/report/bcf.py")  # fmt: skip
#: Calls whose texts go to a log, a parser or a machine.
_NOT_READ = frozenset({"info", "debug", "warning", "error", "exception", "getLogger", "compile", "text", "Option", "Argument", "Typer",
                       "execute", "joinpath", "import_module", "files", "sub", "search", "fullmatch", "findall", "command", "replace",
                       "strftime", "strptime", "encode", "add_argument", "TypeError", "AssertionError", "NotImplementedError", "KeyError",
                       "RuntimeError", "update_layout", "startswith", "endswith", "removeprefix", "removesuffix", "CheckConstraint"})  # fmt: skip
_LOG = re.compile(r"^_?log(ger)?$", re.IGNORECASE)
_WORDS = re.compile(r"[A-Za-zÀ-ÿ'’]{2,}[,;:.]? \(?['‘]?[A-Za-zÀ-ÿ]{1,}")
_CODE = re.compile(r"\btypeof\(|^\s*(SELECT|UPDATE|INSERT|DELETE|PRAGMA|CREATE|BEGIN|ALTER|from |<|\{\")|\\[dwsb]|</|\(\?|://\{|^[a-z_]+(, [a-z_]+)+,?$|\||^/[A-Z]|^default-src|^[a-z-]+: ?[a-z0-9-]+;|^[a-z ]+ [0-9x]+$")
_MOST_VARIANTS = 16
_NUMBER = re.compile(r"[\d.,+z ]*[fgdeG%]$|^,$|^\+?z?$")

#: Single words and names of things that stand as values in sentences.
VOCABULARY = ROOT / "audit" / "wording" / "vocabulary.toml"
_T = re.compile(r"""\{\{\s*t\(\s*(?:"([^"]*)"|'([^']*)')""")


@dataclass
class Sentence:
    """One sentence: its English form or forms, the place that counts, and where it stands."""

    one: str
    many: str | None = None
    count: str | None = None
    places: list[str] = field(default_factory=list)

    @property
    def key(self) -> str | tuple[str, str]:
        return self.one if self.many is None else (self.one, self.many)


def room_of(path: Path) -> str:
    """The room that a file belongs to, as the bound of what is untranslated is kept."""
    parts = path.relative_to(ROOT).parts
    return parts[0] if parts[0] == "ui" else parts[1].removesuffix(".py")


def sources() -> list[Path]:
    """Every file that may hold a sentence."""
    return [p for p in sorted((ROOT / "audit").rglob("*.py")) if not any(str(p.relative_to(ROOT)).startswith(s) for s in _SILENT)]


# ---- from the sources -------------------------------------------------------------------------------------------------


def _name(node: ast.expr) -> str:
    """A place's name by the expression that fills it."""
    if isinstance(node, ast.Name):
        return node.id.strip("_")
    if isinstance(node, ast.Attribute):
        return node.attr.strip("_") if node.attr not in ("name", "camera", "number") or not isinstance(node.value, ast.Name) else (
            node.attr)  # fmt: skip
    if isinstance(node, ast.Subscript):
        if isinstance(node.slice, ast.Constant) and isinstance(node.slice.value, str):
            return re.sub(r"\W", "_", node.slice.value)
        return _name(node.value)
    if isinstance(node, ast.Call):
        called = _name(node.func)
        plain = ("len", "abs", "str", "join", "isoformat", "strip", "rstrip", "min", "max", "round", "sorted", "quoted", "shown_name")
        if called in plain:
            inner = node.args[0] if node.args else node.func.value if isinstance(node.func, ast.Attribute) else node.func
            return _name(inner)
        return called
    if isinstance(node, ast.BinOp):
        return _name(node.left if not isinstance(node.left, ast.Constant) else node.right)
    if isinstance(node, ast.UnaryOp):
        return _name(node.operand)
    if isinstance(node, ast.BoolOp):
        return _name(node.values[0])
    if isinstance(node, ast.IfExp):
        return _name(node.body if not isinstance(node.body, ast.Constant) else node.test)
    if isinstance(node, ast.GeneratorExp | ast.ListComp):
        return _name(node.generators[0].iter)
    return "value"


def _one(test: ast.expr) -> tuple[str, bool] | None:
    """Of ``n == 1``, ``n != 1`` and ``n > 1``: what is counted, and whether the test says one."""
    if isinstance(test, ast.Compare) and len(test.ops) == 1 and isinstance(test.comparators[0], ast.Constant):
        if test.comparators[0].value == 1 and isinstance(test.ops[0], ast.Eq | ast.NotEq | ast.Gt):
            return ast.dump(test.left), isinstance(test.ops[0], ast.Eq)
    return None


#: A template under way: its text, the names taken with their expressions, and which tests were answered how.
_State = tuple[str, tuple[tuple[str, str], ...], tuple[tuple[str, bool], ...]]


def _unfold(node: ast.expr, states: list[_State]) -> list[_State] | None:
    """All texts that an f-string can give, its choices between texts written out; None where there are too many."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        text = node.value.replace("{", "{{").replace("}", "}}")
        return [(head + text, names, chosen) for head, names, chosen in states]
    if isinstance(node, ast.JoinedStr):
        for part in node.values:
            more = _unfold(part, states)
            if more is None:
                return None
            states = more
        return states
    if isinstance(node, ast.FormattedValue):
        inner = node.value
        if isinstance(inner, ast.IfExp) and all(_is_text(b) for b in (inner.body, inner.orelse)) and node.format_spec is None:
            counted = _one(inner.test)
            key, says = counted if counted is not None else (ast.dump(inner.test), True)
            out: list[_State] = []
            for state in states:
                for branch, truth in ((inner.body, True), (inner.orelse, False)):
                    known = dict(state[2]).get(key)
                    value = truth is says
                    if known is not None and known != value:
                        continue
                    taken = state if known is not None else (state[0], state[1], (*state[2], (key, value)))
                    more = _unfold(branch, [taken])
                    if more is None:
                        return None
                    out += more
            return out if len(out) <= _MOST_VARIANTS else None
        if isinstance(inner, ast.Constant) and isinstance(inner.value, str):
            return _unfold(inner, states)
        spec = "".join(str(p.value) for p in getattr(node.format_spec, "values", ()) if isinstance(p, ast.Constant))
        dump = ast.dump(inner)
        return [_placed(state, _name(inner), dump, spec) for state in states]
    return None


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str)) or (
        isinstance(node, ast.IfExp) and _is_text(node.body) and _is_text(node.orelse))  # fmt: skip


def _placed(state: _State, name: str, dump: str, spec: str) -> _State:
    text, names, chosen = state
    name = re.sub(r"\W|^(?=\d)", "_", name.lower()) or "value"
    used = [n for n, _ in names]
    fresh, at = name, 2
    while fresh in used:
        fresh, at = f"{name}{at}", at + 1
    number = bool(spec) and "%Y" not in spec and _NUMBER.search(spec) is not None
    return f"{text}{{{fresh}{':n' if number else ''}}}", (*names, (fresh, dump)), chosen


def _sentences_of(node: ast.expr) -> list[Sentence]:
    """The sentences that one text or f-string holds."""
    states = _unfold(node, [("", (), ())]) if not isinstance(node, ast.IfExp) else None
    if states is None:
        return []
    found: list[Sentence] = []
    left = list(states)
    while left:
        text, names, chosen = left.pop(0)
        pair = None
        for key, one in chosen:
            counter = next((n for n, dump in names if dump == key), None)
            other = tuple((k, (not v) if k == key else v) for k, v in chosen)
            partner = next((s for s in left if s[2] == other), None)
            if counter is not None and partner is not None and _counted(key):
                left.remove(partner)
                pair = (text, partner[0], counter) if one else (partner[0], text, counter)
                break
        found.append(Sentence(text) if pair is None else Sentence(*pair))
    return found


def _counted(key: str) -> bool:
    return key in _COUNTED


_COUNTED: set[str] = set()


def _skipped(tree: ast.Module) -> set[int]:
    """Nodes that nobody reads: docstrings, annotations, what goes to a log or a parser, keys, what is compared."""
    out: set[int] = set()

    def drop(node: ast.AST | None) -> None:
        if node is not None:
            out.update(id(n) for n in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            drop(node)
        elif isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            on_log = isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name) and _LOG.match(node.func.value.id)
            if called in _NOT_READ and (called not in ("info", "debug", "warning", "error", "exception", "replace", "text") or on_log):
                drop(node)
        elif isinstance(node, ast.Compare):
            drop(node)
        elif isinstance(node, ast.Subscript):
            drop(node.slice)
        elif isinstance(node, ast.Dict):
            for key in node.keys:
                drop(key)
        elif isinstance(node, ast.AnnAssign | ast.arg):
            drop(node.annotation)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            drop(node.returns)
        elif isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            drop(node)
        elif isinstance(node, ast.Assert):
            drop(node.msg)
    return out


def _reads_like_words(text: str) -> bool:
    bare = re.sub(r"\{[^{}]*\}", "1", text)
    if _CODE.search(text) or not re.search(r"[A-Za-z]{2}", bare) or re.search(r"^--|^[a-z_/]+\.[a-z]+$", bare):
        return False
    return _WORDS.search(bare) is not None or (bare != text and re.search(r"(^|[ (])[A-Za-z]{3,}[,:.)]? |[ ](?!px$|mm$|kg$|km$|cm$)[A-Za-z]{2,}[.,:;)]?$", bare) is not None)


def gather_python(path: Path) -> Iterator[tuple[Sentence, int]]:
    """The sentences of one Python file with their lines."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    dropped = _skipped(tree)
    _COUNTED.clear()
    _COUNTED.update(c[0] for n in ast.walk(tree) if isinstance(n, ast.IfExp) and (c := _one(n.test)) is not None)
    inner = {id(n) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for n in ast.walk(node) if n is not node}
    for node in ast.walk(tree):
        if isinstance(node, ast.IfExp) and id(node) not in dropped and id(node) not in inner:
            for branch in (node.body, node.orelse):
                if isinstance(branch, ast.Constant) and isinstance(branch.value, str) and re.fullmatch(r"[ ,;:(]*[A-Za-z][a-z]+[a-z -]*[.)]?", branch.value):
                    if all(_is_text(b) for b in (node.body, node.orelse)):
                        yield Sentence(branch.value), node.lineno
        if id(node) in dropped or id(node) in inner or not isinstance(node, ast.JoinedStr | ast.Constant) or not _is_text(node):
            continue
        for sentence in _sentences_of(node):
            if _reads_like_words(sentence.one):
                yield sentence, node.lineno


def gather_pages() -> Iterator[tuple[Sentence, str]]:
    """What the pages for a phone say: ``t("…")`` of their templates."""
    for path in sorted((ROOT / "audit").rglob("*.html")):
        for found in _T.finditer(path.read_text(encoding="utf-8")):
            yield Sentence(found[1] or found[2]), str(path.relative_to(ROOT))


def gather_help() -> Iterator[str]:
    """The help of every command, argument and option."""
    import typer

    from audit.cli.commands import app
    from audit.cli.help import help_text

    def walk(command: Any) -> Iterator[str]:
        yield from filter(None, (help_text(getattr(told, "help", None)) for told in (command, *command.params)))
        for below in getattr(command, "commands", {}).values():
            yield from walk(below)

    yield from walk(typer.main.get_command(app))


def _vocabulary() -> Iterator[str]:
    for words in tomllib.loads(VOCABULARY.read_text(encoding="utf-8")).values():
        yield from words
    trade = tomllib.loads((ROOT / "audit" / "plan" / "catalogue.toml").read_text(encoding="utf-8"))
    for group in ("parts", "forms", "surfaces"):
        yield from trade[group]
    yield from (joint["where"] for joint in trade["joints"].values())


@cache
def gather() -> dict[str | tuple[str, str], Sentence]:
    """Every sentence by its English, with all places where it stands; read once, whatever the language."""
    found: dict[str | tuple[str, str], Sentence] = {}

    def add(sentence: Sentence, place: str) -> None:
        kept = found.setdefault(sentence.key, sentence)
        if place not in kept.places:
            kept.places.append(place)

    for path in sources():
        for sentence, _line in gather_python(path):
            add(sentence, str(path.relative_to(ROOT)))
    for sentence, place in gather_pages():
        add(sentence, place)
    for text in gather_help():
        add(Sentence(text), "audit/cli/commands.py")
    for word in _vocabulary():
        if word not in found:
            add(Sentence(word), "audit/wording/vocabulary.toml")
    plural = {s.one for s in found.values() if s.many is not None}
    return {key: s for key, s in found.items() if not (isinstance(key, str) and key in plural)}


def gather_words() -> dict[str, str]:
    """The desk's labels by their keys."""
    flat: dict[str, str] = {}
    for group, entries in tomllib.loads((ROOT / "ui" / "words.toml").read_text(encoding="utf-8")).items():
        flat.update({f"{group}.{key}": value for key, value in entries.items()})
    return flat


# ---- with the translations ---------------------------------------------------------------------------------------------


def read_catalogue(language: str) -> Catalog:
    """The translators' file."""
    path = WORDING / f"{language}.po"
    if not path.exists():
        return Catalog(locale=language, project="photo-audit", charset="utf-8", fuzzy=False)
    with path.open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


def joined(language: str) -> Catalog:
    """The translators' file with what the sources say today: new sentences untranslated, old ones gone."""
    old = read_catalogue(language)
    new = Catalog(locale=language, project="photo-audit", charset="utf-8", fuzzy=False, creation_date=old.creation_date,
                  revision_date=old.revision_date, last_translator="photo-audit", language_team="photo-audit",
                  msgid_bugs_address="", copyright_holder="photo-audit")  # fmt: skip
    new.header_comment = f"# Every sentence that a person reads, in {new.locale.english_name if new.locale else language}.\n# Names in {{}} stay as they are; their order is free."
    anonymous = {_anonymous(m.id[0] if isinstance(m.id, tuple) else m.id): m for m in old if m.id and m.context is None}
    for key, sentence in gather().items():
        message = old.get(key if isinstance(key, str) else key[0])
        string = message.string if message is not None and isinstance(message.id, tuple) == isinstance(key, tuple) else None
        if not string and (like := anonymous.get(_anonymous(sentence.one))) is not None and isinstance(like.id, tuple) == isinstance(key, tuple):
            string = _renamed(like, sentence)
        comment = [f"counts {{{sentence.count}}}"] if sentence.count else []
        new.add(key, string or (("",) * new.num_plurals if isinstance(key, tuple) else ""), locations=[(p, 0) for p in sentence.places], auto_comments=comment)
    for name, text in gather_words().items():
        message = old.get(text, context=name)
        new.add(text, message.string if message is not None else "", context=name)
    return new


def _anonymous(text: str) -> str:
    return re.sub(r"\{\w+", "{", text)


def _renamed(like: object, sentence: Sentence) -> object:
    """A translation whose places were given other names since."""
    old = like.id[0] if isinstance(like.id, tuple) else like.id  # type: ignore[attr-defined]
    names = dict(zip(places_of(old), places_of(sentence.one), strict=True))
    strings = like.string if isinstance(like.string, tuple) else (like.string,)  # type: ignore[attr-defined]
    new = tuple(re.sub(r"\{(\w+)\}", lambda m: f"{{{names.get(m[1], m[1])}}}", s) for s in strings)
    return new if isinstance(like.id, tuple) else new[0]  # type: ignore[attr-defined]


def places_of(text: str) -> list[str]:
    """Names of the places of a template."""
    return [name for _, name, _, _ in Formatter().parse(text) if name is not None]


def written(catalogue: Catalog) -> bytes:
    """A catalogue as its file."""
    out = BytesIO()
    write_po(out, catalogue, width=0, sort_output=False, include_lineno=False, omit_header=False)
    return out.getvalue()


def compiled(language: str, catalogue: Catalog | None = None) -> str:
    """What the program reads: the desk's words by key, and pairs of English and translation."""
    catalogue = catalogue if catalogue is not None else read_catalogue(language)
    words: dict[str, str] = {}
    sentences: list[list[object]] = []
    for message in catalogue:
        if not message.id or not message.string or (isinstance(message.string, tuple) and not all(message.string)):
            continue
        if message.context:
            words[message.context] = str(message.string)
        elif isinstance(message.id, tuple):
            count = next(c for c in message.auto_comments if c.startswith("counts ")).removeprefix("counts {").rstrip("}")
            sentences.append([message.id[0], message.id[1], count, [message.string[0], message.string[-1]]])
        else:
            sentences.append([message.id, message.string])
    if language == "fr":
        sentences = [[*row[:-1], [*map(_set_in_french, row[-1])] if isinstance(row[-1], list) else _set_in_french(str(row[-1]))] for row in sentences]
        words = {key: _set_in_french(text) for key, text in words.items()}
    rows = ",\n".join(json.dumps(s, ensure_ascii=False) for s in sentences)
    return f'{{"words": {json.dumps(words, ensure_ascii=False, indent=0)},\n"sentences": [\n{rows}\n]}}\n'


def _set_in_french(text: str) -> str:
    """No line breaks before a mark that French sets apart, or within its quotation marks."""
    return re.sub(r" (?=[:;?!»](?:\s|$))|(?<=«) ", "\N{NO-BREAK SPACE}", text)


def faults(catalogue: Catalog) -> list[str]:
    """Translations that can't be used: a place missing or unknown, a form missing."""
    found = []
    for message in catalogue:
        if not message.id:
            continue
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        strings = message.string if isinstance(message.string, tuple) else (message.string,)
        wanted = set(places_of(ids[-1]))
        for string in strings:
            if not string:
                continue
            try:
                has = places_of(string)
            except ValueError as error:
                found.append(f"{ids[0]!r}: {error}")
                continue
            named = {h for h in has if h}
            missing = wanted - named
            if len(ids) == 2:
                missing -= {next((c for c in message.auto_comments), "").removeprefix("counts {").rstrip("}")}
            if missing or named - wanted:
                found.append(f"{ids[0]!r}: places {sorted(named)} for {sorted(wanted)}")
        if any(strings) and not all(strings):
            found.append(f"{ids[0]!r}: a form is missing")
    return found


def untranslated(language: str) -> Counter[str]:
    """Sentences of each room without a translation."""
    count: Counter[str] = Counter()
    for message in joined(language):
        if message.id and (not message.string or (isinstance(message.string, tuple) and not all(message.string))):
            for room in {"ui"} if message.context else {room_of(ROOT / p) for p, _ in message.locations}:
                count[room] += 1
    return count


def main() -> None:
    """Bring the files up to date and say what is missing."""
    for language in LANGUAGES:
        catalogue = joined(language)
        (WORDING / f"{language}.po").write_bytes(written(catalogue))
        (WORDING / f"{language}.json").write_text(compiled(language), encoding="utf-8")
        missing = untranslated(language)
        print(f"{language}: {sum(1 for m in catalogue if m.id)} texts, untranslated {sum(missing.values())}: {dict(missing)}")
        for fault in faults(catalogue):
            print(f"{language}: {fault}", file=sys.stderr)


if __name__ == "__main__":
    main()
