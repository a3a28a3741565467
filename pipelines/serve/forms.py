"""The two forms, and the sign-in: what may be entered, checked before it is written."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from starlette.datastructures import FormData
from wtforms import (
    DateField,
    Form,
    HiddenField,
    PasswordField,
    RadioField,
    SelectField,
    StringField,
    TextAreaField,
)
from wtforms.csrf.session import SessionCSRF
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]
from wtforms.validators import InputRequired, Length

from remanence.dashboards.page import Language
from remanence.shared.tables import SERVICE_ACTIONS, TEST_RESULTS
from remanence.shared.venue import Venue

NOTE_LETTERS, NAME_LETTERS = 300, 60
"""A note is a sentence or two; a name is a name."""

TOKEN_LASTS = timedelta(hours=12)
"""A form that was left open over a shift can still be sent."""

WORK = tuple(action for action in SERVICE_ACTIONS if action != "release-tested")


class Posted:
    """What a browser sent, as WTForms takes it."""

    def __init__(self, data: FormData) -> None:
        self._data = data

    def __iter__(self) -> Any:
        return iter(self._data)

    def __len__(self) -> int:
        return len(self._data)

    def __contains__(self, name: str) -> bool:
        return name in self._data

    def getlist(self, name: str) -> list[str]:
        """All values of a field that are text."""
        return [value for value in self._data.getlist(name) if isinstance(value, str)]


def _meta(session: dict[str, Any], secret: str) -> dict[str, Any]:
    """A form that a page of somebody else sends is refused: it has no token of this session."""
    return {"csrf": True, "csrf_class": SessionCSRF, "csrf_secret": secret.encode(),
            "csrf_context": session, "csrf_time_limit": TOKEN_LASTS}


def sign_in_form(
    lang: Language, session: dict[str, Any], secret: str, posted: Posted | None, after: str,
) -> Form:
    """Asks for the password."""

    class SignIn(Form):
        password = PasswordField(lang("serve.password"), [InputRequired(lang("serve.needed"))])
        after = HiddenField()

    return SignIn(posted, data={"after": after}, meta=_meta(session, secret))


def done_form(
    lang: Language, venue: Venue, session: dict[str, Any], secret: str, posted: Posted | None,
    *, today: date, lock: str | None = None,
) -> Form:
    """Asks what was done to which lock."""
    locks = [SelectChoice(lock.id, optgroup=lock.room or lang("front.no_room"))
             for room in venue.rooms for lock in venue.locks if lock.room == room]

    class Done(Form):
        lock = SelectField(lang("serve.lock"), choices=locks)
        action = RadioField(
            lang("serve.what"), [InputRequired(lang("serve.needed"))],
            choices=[SelectChoice(name, lang(f"serve.action.{name}")) for name in WORK])
        part = SelectField(lang("serve.part"), choices=[
            SelectChoice("", lang("serve.no_part")), *(
                SelectChoice(part.id, f"{part.id}: {part.description}".removesuffix(": "))
                for part in venue.parts)])
        note = TextAreaField(lang("serve.note"), [Length(max=NOTE_LETTERS)])
        by = StringField(lang("serve.by"), [
            InputRequired(lang("serve.needed")), Length(max=NAME_LETTERS)])
        day = DateField(lang("serve.day"), [InputRequired(lang("serve.needed"))])

    return Done(posted, data={"lock": lock, "day": today, "by": session.get("by", "")},
                meta=_meta(session, secret))


def release_test_form(
    lang: Language, venue: Venue, session: dict[str, Any], secret: str, posted: Posted | None,
    *, today: date, lock: str | None = None,
) -> Form:
    """Asks how a release test went, then who did it and when."""
    locks = [SelectChoice(lock.id, optgroup=lang("serve.exits" if lock.on_way_out else
                                                "serve.others"))
             for lock in sorted(venue.locks, key=lambda lock: not lock.on_way_out)]

    class Test(Form):
        lock = SelectField(lang("serve.lock"), choices=locks)
        result = RadioField(
            lang("serve.result"), [InputRequired(lang("serve.result_needed"))],
            choices=[SelectChoice(word, lang(f"serve.result_{word}")) for word in TEST_RESULTS])
        by = StringField(lang("serve.by"), [
            InputRequired(lang("serve.needed")), Length(max=NAME_LETTERS)])
        day = DateField(lang("serve.day"), [InputRequired(lang("serve.needed"))])
        note = TextAreaField(lang("serve.note"), [Length(max=NOTE_LETTERS)])

    return Test(posted, data={"lock": lock, "day": today, "by": session.get("by", "")},
                meta=_meta(session, secret))

