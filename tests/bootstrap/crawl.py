"""Walk through a running site over HTTP, along its own links, as somebody signed in."""

import re
from collections import Counter
from dataclasses import dataclass, field
from html import unescape
from http.cookiejar import CookieJar
from urllib.error import HTTPError
from urllib.parse import urldefrag, urlencode, urljoin, urlsplit
from urllib.request import HTTPCookieProcessor, OpenerDirector, Request, build_opener

from django.urls import Resolver404, resolve

LINK = re.compile(r'<a\b[^>]*?\bhref="([^"]+)"')
TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="([^"]+)"')
# Of pages of one kind one is looked at; of these, more, since they differ with their person's state.
EACH, MANY = 1, 6
SEVERAL = {"volunteer", "visit", "dose"}
LEFT_ALONE = {"sign_out"}


@dataclass
class Walk:
    """What somebody came across."""

    pages: dict[str, str] = field(default_factory=dict)  # address -> its content
    broken: list[tuple[int, str, str]] = field(
        default_factory=list
    )  # (status, address, from where)
    kinds: Counter[str] = field(default_factory=Counter)  # name of a kind of page -> how many seen


def signed_in(site: str, email: str, password: str) -> OpenerDirector:
    """Sign in at the site's own page, and return what keeps the cookies."""
    opener = build_opener(HTTPCookieProcessor(CookieJar()))
    page = urljoin(site, "/sign-in/")
    token = TOKEN.search(opener.open(page, timeout=30).read().decode())
    assert token, "the sign-in page has no form"
    said = {"username": email, "password": password, "csrfmiddlewaretoken": token.group(1)}
    answer = opener.open(Request(page, urlencode(said).encode(), {"Referer": page}), timeout=30)
    assert urlsplit(answer.url).path != "/sign-in/", f"{email} was not let in"
    return opener


def walk(opener: OpenerDirector, site: str) -> Walk:
    """Follow every kind of link from the front page on, a few of each kind."""
    found, seen, waiting = Walk(), {site}, [(site, "")]
    while waiting:
        address, origin = waiting.pop(0)
        try:
            with opener.open(address, timeout=30) as answer:
                if "text/html" not in answer.headers["Content-Type"]:
                    continue
                content = answer.read().decode()
        except HTTPError as problem:
            found.broken.append((problem.code, address, origin))
            continue
        found.pages[address] = content
        for link in LINK.findall(content):
            target = urldefrag(urljoin(address, unescape(link))).url
            if target in seen or not target.startswith(site):
                continue
            seen.add(target)
            if _wanted(target, found.kinds):
                waiting.append((target, address))
    return found


def _wanted(address: str, kinds: Counter[str]) -> bool:
    try:
        kind = resolve(urlsplit(address).path).url_name or ""
    except Resolver404:
        return True  # asked for, so that the dead link is named with the page it stands on
    if kind in LEFT_ALONE or kinds[kind] >= (MANY if kind in SEVERAL else EACH):
        return False
    kinds[kind] += 1
    return True
