"""``[[tell]]`` blocks: what is right, and every fault with its line."""

from __future__ import annotations

import pytest

from remanence.shared.errors import VenueFileError
from remanence.shared.venue_file import parse_venue
from tests.conftest import HARBOUR

MAIL = ('kind = "mail"\naddress = "mail.example.org"\nsender = "a@example.org"\n'
        'to = ["b@example.org"]\n')


def read(block: str):
    return parse_venue(f"{HARBOUR}\n[[tell]]\n{block}").tells


def test_a_right_block_has_the_usual_ports_and_both_kinds_of_news():
    (target,) = read(MAIL)
    assert (target.id, target.host_port) == ("mail", ("mail.example.org", 587))
    assert target.what == ("summary", "do-not-use")
    assert read(MAIL + 'security = "tls"\n')[0].host_port[1] == 465
    (broker,) = read('kind = "mqtt"\naddress = "[::1]"\ntopic = "a/b"\ntls = true\n')
    assert broker.host_port == ("::1", 8883)
    assert read('kind = "webhook"\naddress = "https://example.org/x"\n')[0].language == "en"


@pytest.mark.parametrize(("block", "says"), [
    ('kind = "pigeon"\n', 'use "mail", "webhook" or "mqtt"'),
    (MAIL.replace("address", "adress"), "did you mean address?"),
    (MAIL.replace('to = ["b@example.org"]\n', ""), "addresses it goes to"),
    (MAIL.replace("b@example.org", "b"), "write one address"),
    (MAIL.replace("b@example.org", "b@example.org, c@example.org"), "write one address"),
    (MAIL + 'what = ["gossip"]\n', '"summary" or "do-not-use"'),
    (MAIL + 'topic = "x"\n', 'it goes with kind = "mqtt"'),
    (MAIL + 'password_file = "x"\n', "the password is this user's"),
    (MAIL + 'password = "x"\n', "password_file"),
    ('kind = "webhook"\n', "address or address_file"),
    ('kind = "webhook"\naddress = "ftp://x"\n', "write a URL"),
    ('kind = "mqtt"\naddress = "x:y"\ntopic = "a"\n', "write HOST:PORT"),
    ('kind = "mqtt"\naddress = "x"\ntopic = "a/#"\n', "no + and no #"),
    (f'{MAIL}\n[[tell]]\n{MAIL}', "give each tell an id of its own"),
])
def test_a_fault_is_named_with_its_line_and_what_would_be_right(block, says):
    with pytest.raises(VenueFileError) as caught:
        read(block)
    assert says in str(caught.value)
    assert "line " in str(caught.value)
