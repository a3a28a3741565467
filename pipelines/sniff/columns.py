"""Which column plays which part: time, channel, quantity, value."""

from __future__ import annotations

from dataclasses import dataclass, field

from remanence.pipelines.sniff.times import TimeGuess, guess_times
from remanence.shared.log_format import QUANTITIES

ON = (
    "on", "true", "high", "hi", "closed", "close", "active", "energised", "yes", "1",
    "ein", "an", "zu", "geschlossen", "aktiv", "wahr", "ja", "marche", "fermé", "ferme", "actif",
    "vrai", "oui", "encendido", "cerrado", "activo", "verdadero", "sí", "si", "acceso", "chiuso",
    "attivo", "vero", "aan", "dicht", "gesloten", "waar", "ligado", "fechado", "ativo", "sim",
)
OFF = (
    "off", "false", "low", "lo", "open", "opened", "inactive", "released", "no", "0",
    "aus", "auf", "offen", "geöffnet", "inaktiv", "falsch", "nein", "arrêt", "arret", "ouvert",
    "inactif", "faux", "non", "apagado", "abierto", "inactivo", "falso", "spento", "aperto",
    "inattivo", "uit", "onwaar", "nee", "desligado", "aberto", "inativo", "não",
)
DOUBTFUL = (
    "open", "opened", "closed", "close", "released", "zu", "auf", "offen", "geschlossen",
    "geöffnet", "fermé", "ferme", "ouvert", "cerrado", "abierto", "chiuso", "aperto", "dicht",
    "gesloten", "fechado", "aberto",
)
"""Words that say what a switch or a door does: whether that is 1 is a question."""

UNKNOWN = ("unavailable", "unknown", "none", "null", "nan", "n/a", "na", "offline", "unbekannt",
           "nicht verfügbar", "inconnu", "indisponible", "desconocido", "sconosciuto", "onbekend")
"""Words that say that a state is not known."""

FLAGS = ("retain", "retained", "dup", "duplicate")
"""Columns that say that a message is no news: it was kept, or is delivered once more."""

BESIDE = ("qos", "mid", "id", "seq", "len", "length", "line", "no", "nr", "index", "msgid", "pid",
          "level", "severity", "priority", "old_state", "old_value", "previous")
"""Columns that speak of the message, not of the channel: no value where another may be one."""

CHANNEL = ("channel", "topic", "signal", "name", "pin", "tag", "point", "kanal", "entity", "lock")
KINDS = ("command", "cmd", "coil", "output", "out", "relay", "set", "drive", "contact", "switch",
         "feedback", "fb", "sensor", "input", "in", "status", "state", "volts", "voltage", "supply",
         "rail", "amps", "current")
"""Words that tell a command from a contact under one name."""

MOST_WORDS = 6
"""Different words in a column beyond which they are names, not states."""

FEW = 200

ANCHOR_SHARE = 0.5
"""True times on fewer lines than this share of a counter's are its anchors, not the lines' time."""


@dataclass
class Roles:
    """What was found out of a table's columns, and what could not be decided."""

    columns: dict[str, str | list[str]] = field(default_factory=dict)
    flags: dict[str, list[str]] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)
    time: TimeGuess | None = None
    wall: TimeGuess | None = None
    date: TimeGuess | None = None
    wide: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    on: list[str] = field(default_factory=list)
    off: list[str] = field(default_factory=list)
    decimal: str = "."
    questions: list[str] = field(default_factory=list)


def find_roles(columns: dict[str, list[str]]) -> Roles:
    """Look at a sample, column by column.

    Parameters
    ----------
    columns : dict
        From the column's name to its values as text, "" where there is none.

    Returns
    -------
    Roles
    """
    roles = Roles()
    filled = {name: [v.strip() for v in values if v.strip()] for name, values in columns.items()}
    filled = {name: values for name, values in filled.items() if values}
    rest = _take_times(roles, filled)
    _take_names(roles, rest, filled, columns)
    return roles


def _take_times(roles: Roles, filled: dict[str, list[str]]) -> list[str]:
    guesses = {name: guess_times(values) for name, values in filled.items()}
    likely = sorted(
        (name for name, guess in guesses.items() if guess),
        key=lambda name: (_rank(name, guesses[name]), list(filled).index(name)))
    counters = [n for n in likely if (g := guesses[n]) and g.kind == "counter"]
    for name in likely:
        guess = guesses[name]
        if guess is None:
            continue
        if guess.kind == "both" and counters and (
                len(filled[name]) < ANCHOR_SHARE * len(filled[counters[0]])):
            roles.wall, roles.columns["wall"] = guess, name
        elif guess.kind in ("both", "time") and roles.time is None:
            roles.time, roles.columns["time"] = guess, name
        elif guess.kind == "date" and roles.date is None and (
            roles.time is None or roles.time.kind == "time"
        ):
            roles.date, roles.columns["date"] = guess, name
    if roles.time is None and counters:
        roles.time, roles.columns["time"] = guesses[counters[0]], counters[0]
    if roles.time and roles.time.kind == "both" and roles.date:
        roles.date = None
        del roles.columns["date"]
    return [name for name in filled if name not in roles.columns.values()]


def _rank(name: str, guess: TimeGuess | None) -> int:
    lower = name.lower()
    named = any(word in lower for word in ("time", "stamp", "zeit", "date", "datum", "ts", "at",
                                           "ms", "us", "clock"))
    return (0 if named else 1) + (2 if guess and guess.kind == "counter" else 0)


def _take_names(
    roles: Roles, rest: list[str], filled: dict[str, list[str]], columns: dict[str, list[str]]
) -> None:
    for name in rest:
        if _last(name) in FLAGS and {v.lower() for v in filled[name]} <= {
                "0", "1", "true", "false"}:
            roles.flags[name] = ["1", "true"]
    rest = [name for name in rest if name not in roles.flags]
    numeric = {n: _figures(filled[n]) for n in rest}
    quantity = [n for n in rest if {v.lower() for v in filled[n]} <= set(QUANTITIES)]
    words = [n for n in rest if _is_on_off(filled[n])]
    alike = _same_words({n: filled[n] for n in rest if not numeric[n] and n not in quantity})
    values = [n for n in rest
              if numeric[n] or n in words or n in alike or _mixed(filled[n])]
    texts = [n for n in rest if n not in values and n not in quantity
             and len(set(filled[n])) <= FEW]
    if quantity:
        roles.columns["quantity"] = quantity[0]
    if texts:
        chosen = _channel_columns(texts, columns)
        roles.columns["channel"] = chosen if len(chosen) > 1 else chosen[0]
        roles.channels = sorted({"/".join(v.strip() for v in row if v.strip()) for row in zip(
            *(columns[n] for n in chosen), strict=True)} - {""})
        if len(texts) > len(chosen) and not _named(texts, CHANNEL):
            roles.questions.append(f"Which column names the channel: {', '.join(texts)}? "
                                   f"{' and '.join(chosen)} was taken.")
    values = [n for n in values if n not in quantity]
    values = [n for n in values if _last(n) not in BESIDE] or values
    if "channel" in roles.columns or len(values) == 1:
        named = [n for n in values if any(w in n.lower() for w in (
            "value", "wert", "state", "level", "reading", "payload"))]
        chosen = named[:1] or values
        if not chosen:
            roles.questions.append("Which column is the value? None looks like one.")
        else:
            roles.columns["value"] = chosen if len(chosen) > 1 else chosen[0]
            _words(roles, [value for name in chosen for value in filled[name]])
            if len(chosen) > 1:
                roles.channels = [f"{c}/{n}" for c in roles.channels for n in chosen]
                roles.questions.append(f"Which columns are values: {', '.join(chosen)}? All were "
                                       "taken, each as a channel of its own.")
    else:
        roles.wide = values
        _words(roles, [value for name in values for value in filled[name]])


def _last(name: str) -> str:
    return name.lower().rpartition(".")[2]


def _named(names: list[str], words: tuple[str, ...]) -> list[str]:
    return [name for name in names if any(word in name.lower() for word in words)]


def _channel_columns(texts: list[str], columns: dict[str, list[str]]) -> list[str]:
    """The columns that together name the channel: one, and those that tell its records apart.

    Beside a column that is called so only one that tells command from contact counts; else the
    one with the most different names, and every other that it does not settle.
    """
    named = _named(texts, CHANNEL)
    first = named[0] if named else max(texts, key=lambda name: len(set(columns[name])))
    chosen = {first}
    for name in texts:
        said = {value.strip().lower() for value in columns[name]} - {""}
        if name in chosen or len(said) < 2 or (named and not said <= set(KINDS)):
            continue
        if len(set(zip(columns[first], columns[name], strict=True))) > len(set(columns[first])):
            chosen.add(name)
    return [name for name in texts if name in chosen]


def _figures(values: list[str]) -> bool:
    return all(_is_number(v) for v in values)


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", ".", 1))
    except ValueError:
        return False
    return True


def _is_on_off(values: list[str]) -> bool:
    return {v.lower() for v in values} <= {*ON, *OFF, *UNKNOWN}


def _mixed(values: list[str]) -> bool:
    """Numbers among a few words: a name of a channel is hardly ever a number."""
    words = {v.lower() for v in values if not _is_number(v)}
    return words <= {*ON, *OFF, *UNKNOWN} or (
        len(words) <= MOST_WORDS and len(words) < len(set(values)))


def _same_words(texts: dict[str, list[str]]) -> list[str]:
    """Columns that share a small vocabulary, whatever it means: states, a column a channel."""
    words = {name: {v.lower() for v in values} for name, values in texts.items()}
    return [name for name, said in words.items() if len(said) <= 2 and sum(
        other == said or (other < said and len(said) == 2) or (said < other and len(other) == 2)
        for label, other in words.items() if label != name)]


def _words(roles: Roles, values: list[str]) -> None:
    unknown = []
    for value in sorted(set(values)):
        lower = value.lower()
        if "," in value and _is_number(value):
            roles.decimal = ","
        if _is_number(value) or lower in ("true", "false"):
            continue
        if lower in UNKNOWN:
            roles.unknown.append(value)
            continue
        known = roles.on if lower in ON else roles.off if lower in OFF else None
        if known is None:
            unknown.append(value)
        if known is not None and value not in known:
            known.append(value)
            if lower in DOUBTFUL:
                meant = "1" if known is roles.on else "0"
                roles.questions.append(
                    f'Does "{value}" speak of the switch or of the door? It was taken as {meant}; '
                    "1 is a closed contact, 0 an open one. Swap on and off if it is the other way.")
    if unknown:
        roles.questions.append(
            "Which of these words mean on (1) and which off (0): "
            + ", ".join(f'"{word}"' for word in unknown[:MOST_WORDS])
            + "? Put them into on and off, like on = [\"run\"].")
