"""The server: which page is where, who may write, and what no page may do."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from limits import parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.sessions import SessionMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from remanence.dashboards import serve_pages
from remanence.dashboards.page import Language
from remanence.dashboards.page import language as words_in
from remanence.pipelines.serve.follower import Follower
from remanence.pipelines.serve.forms import Posted, done_form, release_test_form, sign_in_form
from remanence.pipelines.serve.headers import SafeHeaders
from remanence.pipelines.serve.password import Password
from remanence.pipelines.serve.teller import tell_anew
from remanence.pipelines.sheets.past_reports import REPORTS, Report, reports
from remanence.pipelines.sheets.refresh import load_venue
from remanence.pipelines.store.service_log import add_service, read_service
from remanence.shared.errors import RemanenceError
from remanence.shared.venue import Venue

SESSION_LASTS_S = 12 * 3600
"""A shift: whoever signed in at opening is asked again the next day."""

SIGN_INS, WRITES = parse("5/minute"), parse("60/minute")
"""So many tries of a password, and so many entries, from one address."""

SHEETS = (REPORTS, "timing", "parts")
"""Folders beside the venue file whose pages are shown as they lie there."""


@dataclass(frozen=True)
class Settings:
    """How one server is run: see :func:`remanence.pipelines.serve.server.serve`."""

    language: str = "en"
    password: Password | None = None
    secure: bool = False
    loopback: bool = True
    tells: bool = False


def make_app(venue_path: Path, settings: Settings) -> Starlette:
    """The server of one venue.

    Parameters
    ----------
    venue_path : Path
        The venue file.
    settings : Settings
        How it is run.

    Returns
    -------
    Starlette
        An ASGI application.
    """
    site = _Site(venue_path, settings)

    @contextlib.asynccontextmanager
    async def running(_: Starlette) -> AsyncIterator[None]:
        telling = asyncio.create_task(tell_anew(venue_path)) if settings.tells else None
        yield
        if telling is not None:
            telling.cancel()
        await site.follower.stop()

    key = settings.password.session_key if settings.password else secrets.token_urlsafe(32)
    hosts = ["127.0.0.1", "localhost", "[::1]"] if settings.loopback else ["*"]
    return Starlette(
        routes=[
            Route("/", site.front),
            Route("/morning", site.morning),
            Route("/morning/now", site.morning_now),
            Route("/done", site.done, methods=["GET", "POST"]),
            Route("/release-test", site.release_test, methods=["GET", "POST"]),
            Route("/sign-in", site.sign_in, methods=["GET", "POST"]),
            Route("/sign-out", site.sign_out, methods=["POST"]),
            Route("/calendar.ics", site.calendar),
            Route("/assets/{name}", site.asset),
            *(Mount(f"/{name}", StaticFiles(
                directory=venue_path.parent / name, html=True, check_dir=False), name=name)
              for name in SHEETS),
        ],
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts),
            Middleware(SafeHeaders, secure=settings.secure),
            Middleware(SessionMiddleware, secret_key=key, session_cookie="remanence",
                       max_age=SESSION_LASTS_S, same_site="strict", https_only=settings.secure),
        ],
        exception_handlers={HTTPException: site.refused, RemanenceError: site.at_fault},
        lifespan=running,
    )


class _Site:
    """The pages of one venue."""

    def __init__(self, venue_path: Path, settings: Settings) -> None:
        self.path, self.settings = venue_path, settings
        self.lang: Language = words_in(settings.language)
        self.follower = Follower(venue_path)
        self.tries = MovingWindowRateLimiter(MemoryStorage())

    def _venue(self) -> Venue:
        """As its file is now."""
        return load_venue(self.path)[0]

    def _page(
        self, request: Request, template: str, title: str, *, status: int = 200, **more: Any
    ) -> Response:
        return Response(serve_pages.page(
            template, self.lang, title=self.lang(title), here=request.url.path,
            venue=more.pop("venue", None) or self._venue(), can_write=bool(self.settings.password),
            signed_in=self._is_signed_in(request), **more),
            status_code=status, media_type="text/html; charset=utf-8",
            headers={"cache-control": "no-store"})

    # What is only read.

    async def front(self, request: Request) -> Response:
        """All weeks, and what is new, fixed and worse."""
        found = await run_in_threadpool(reports, self.path.parent)
        sheets = [name for name in SHEETS[1:] if (self.path.parent / name / "index.html").exists()]
        return self._page(request, "serve_front.html.jinja", "serve.title",
                          weeks=found, sheets=sheets,
                          has_calendar=find_spec("icalendar") is not None)

    async def morning(self, request: Request) -> Response:
        """This morning's round, which renews itself."""
        return self._page(request, "serve_morning.html.jinja", "serve.morning", **self._round())

    async def morning_now(self, request: Request) -> Response:
        """The part of that page that changes."""
        return self._page(request, "serve_round.html.jinja", "serve.morning", **self._round())

    def _round(self) -> Mapping[str, Any]:
        venue = self._venue()
        return {"venue": venue, "round": serve_pages.Round.of(
            self.lang, venue, self.follower.look(), datetime.now(UTC))}

    async def asset(self, request: Request) -> Response:
        """Style and scripts."""
        kind, data = serve_pages.asset(request.path_params["name"]) or ("", b"")
        if not kind:
            raise HTTPException(404)
        return Response(data, media_type=kind, headers={"cache-control": "max-age=300"})

    async def calendar(self, request: Request) -> Response:
        """Due release tests and planned orders, for whoever subscribes to them."""
        from remanence.pipelines.tell.calendar import calendar_of

        data = await run_in_threadpool(
            calendar_of, self._venue(), self.path, code=self.settings.language)
        return Response(data, media_type="text/calendar; charset=utf-8",
                        headers={"cache-control": "no-cache"})

    # What writes.

    def _is_signed_in(self, request: Request) -> bool:
        return bool(request.session.get("signed_in")) and self.settings.password is not None

    def _may(self, request: Request, what: Any, name: str) -> bool:
        who = request.client.host if request.client else "?"
        return self.tries.hit(what, name, who)

    async def sign_in(self, request: Request) -> Response:
        """Ask for the password."""
        password = self.settings.password
        if password is None:
            return self._page(request, "serve_closed.html.jinja", "serve.sign_in", status=403)
        after = request.query_params.get("after", "/done")
        posted = Posted(await request.form(max_fields=20)) if request.method == "POST" else None
        form = sign_in_form(self.lang, request.session, password.session_key, posted, after)
        fault, status = "", 200
        if posted is not None:
            if not self._may(request, SIGN_INS, "sign-in"):
                fault, status = self.lang("serve.too_often"), 429
            elif not form.validate():
                fault, status = self._form_fault(form), 400
            elif await run_in_threadpool(password.is_right, str(form.data["password"])):
                request.session.clear()  # a session from before signing in is not gone on with
                request.session["signed_in"] = True
                return RedirectResponse(_own_path(str(form.data["after"])), 303)
            else:
                fault, status = self.lang("serve.wrong_password"), 401
        return self._page(request, "serve_sign_in.html.jinja", "serve.sign_in", form=form,
                          fault=fault, status=status)

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        request.session.clear()
        return RedirectResponse("/", 303)

    async def done(self, request: Request) -> Response:
        """A job that was done."""
        return await self._entered(request, "serve_done.html.jinja", "serve.done", done_form)

    async def release_test(self, request: Request) -> Response:
        """A release test that was passed or failed."""
        return await self._entered(
            request, "serve_release_test.html.jinja", "serve.release_test",
            release_test_form)

    async def _entered(self, request: Request, template: str, title: str, make: Any) -> Response:
        if self.settings.password is None:
            return self._page(request, "serve_closed.html.jinja", title, status=403)
        if not self._is_signed_in(request):
            here = f"{request.url.path}?{request.url.query}" if request.url.query else (
                request.url.path)
            return RedirectResponse("/sign-in?" + urlencode({"after": here}), 303)
        venue = self._venue()
        today = datetime.now(venue.zone).date()
        posted = Posted(await request.form(max_fields=20)) if request.method == "POST" else None
        form = make(self.lang, venue, request.session, self.settings.password.session_key, posted,
                    today=today, lock=request.query_params.get("lock"))
        fault, status = "", 200
        if posted is not None:
            if not self._may(request, WRITES, "write"):
                fault, status = self.lang("serve.too_often"), 429
            elif not form.validate():
                fault, status = self._form_fault(form), 400
            else:
                try:
                    line = await run_in_threadpool(_add, venue, self.path, form.data, today)
                except RemanenceError as error:
                    fault, status = str(error), 409
                else:
                    request.session["by"] = form.data["by"]
                    request.session["written"] = line
                    return RedirectResponse(request.url.path, 303)
        newest = await run_in_threadpool(self._newest)
        return self._page(
            request, template, title, form=form, fault=fault, status=status, venue=venue,
            written=request.session.pop("written", ""), newest=newest,
            tests=await run_in_threadpool(release_tests, venue, self.path), today=today)

    def _newest(self) -> Report | None:
        return next(iter(reports(self.path.parent)), None)

    def _form_fault(self, form: Any) -> str:
        if "csrf_token" in form.errors:
            return self.lang("serve.stale_form")
        return self.lang("serve.form_fault")

    # What went wrong.

    async def refused(self, request: Request, error: Exception) -> Response:
        """A page that is not there, or may not be had in this way."""
        status = error.status_code if isinstance(error, HTTPException) else 500
        return self._page(request, "serve_fault.html.jinja", "serve.refused", status=status,
                          fault=self.lang("serve.not_there"))

    async def at_fault(self, request: Request, error: Exception) -> Response:
        """The venue file, or another file of the venue, cannot be read just now."""
        return Response(f"{error}\n", 503, media_type="text/plain; charset=utf-8",
                        headers={"cache-control": "no-store"})


def _own_path(after: str) -> str:
    """Where to go after signing in; never to another site."""
    return after if after.startswith(("/done", "/release-test")) and "\\" not in after else "/done"


def _add(venue: Venue, path: Path, data: Mapping[str, Any], today: Any) -> str:
    """Write a form as a line of the service log; a release test is the form with a result."""
    return add_service(
        venue, path, data["lock"], data.get("action") or "release-tested", day=data["day"],
        today=today, part=data.get("part") or None, note=data["note"] or None,
        result=data.get("result"), by=data["by"])


def release_tests(venue: Venue, path: Path) -> list[serve_pages.ReleaseTest]:
    """The newest release test of each lock on an exit route, and by when the next is due."""
    rows = read_service(venue, path).entries
    made = []
    for lock in venue.locks:
        if not lock.on_way_out:
            continue
        told = [(day, result) for day, who, action, result in rows.select(
            "date", "lock", "action", "result").sort("date", maintain_order=True).iter_rows()
            if who == lock.id and action == "release-tested"]
        last, result = told[-1] if told else (None, None)
        due = venue.release_test_due(last) if last and result == "passed" else None
        made.append(serve_pages.ReleaseTest(lock.id, lock.room, last, result, due))
    return made


