"""``[[source]]`` blocks: what is taken, and what is said of one that is at fault."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from remanence.pipelines.readers import FORMATS
from remanence.shared.errors import VenueFileError
from remanence.shared.venue_file import parse_venue
from tests.conftest import HARBOUR

ROOT = Path(__file__).parents[2]
MQTT = """
[[source]]
kind = "mqtt"
address = "127.0.0.1:1883"
topics = ["north/#", "+/q1"]
"""


def faults(block: str) -> list[tuple[str, str, str]]:
    """Key, what was found and what would be right, of every fault."""
    with pytest.raises(VenueFileError) as error:
        parse_venue(HARBOUR + block, formats=FORMATS)
    return [(problem.key, problem.found, problem.right) for problem in error.value.problems]


def test_a_block_with_the_least_in_it():
    (source,) = parse_venue(HARBOUR + MQTT, formats=FORMATS).sources
    assert (source.id, source.host_port, source.protocol) == ("mqtt", ("127.0.0.1", 1883), "5")
    assert source.log.files == ("recorded/mqtt/*.jsonl",)
    assert source.folder(Path("venue")) == Path("venue/recorded/mqtt")


def test_addresses():
    def host_port(address: str, more: str = "") -> tuple[str, int]:
        block = MQTT.replace("127.0.0.1:1883", address) + more
        return parse_venue(HARBOUR + block, formats=FORMATS).sources[0].host_port

    assert host_port("broker.local") == ("broker.local", 1883)
    assert host_port("broker.local", "tls = true\n") == ("broker.local", 8883)
    assert host_port("[::1]:1884") == ("::1", 1884)
    for wrong in ("broker:0", "broker:70000", "mqtt://broker", "a b", "::1"):
        assert faults(MQTT.replace("127.0.0.1:1883", wrong))[0][0] == "address"


@pytest.mark.parametrize(("block", "key", "right"), [
    ('[[source]]\naddress = "a"\n', "kind", '"syslog"'),
    ('[[source]]\nkind = "mqtt"\ntopics = ["a"]\n', "address", "127.0.0.1:1883"),
    ('[[source]]\nkind = "mqtt"\naddress = "a"\n', "topics", "add it"),
    (MQTT.replace("north/#", "north/#/q1"), "topics", "comes last"),
    (MQTT.replace("north/#", "north+"), "topics", "one whole level"),
    (MQTT + 'baud = 9600\n', "baud", 'kind = "serial"'),
    (MQTT + 'id = "../logs"\n', "id", "letters"),
    (MQTT + 'ca_file = "ca.pem"\n', "ca_file", "tls = true"),
    (MQTT + 'tls = true\nkey_file = "key.pem"\n', "key_file", "certificate_file"),
    (MQTT + 'password_file = "a"\npassword_variable = "B"\n', "password_variable", "not both"),
    (MQTT + MQTT, "id", "an id of its own"),
    (MQTT + 'pattern = "("\n', "pattern", "no regular expression"),
    (MQTT + 'protocol = "4"\n', "protocol", '"3.1.1"'),
])
def test_a_fault_is_named_with_its_key(block, key, right):
    assert any(k == key and right in r for k, _, r in faults(block)), faults(block)


def test_a_password_in_the_file_is_refused_and_not_printed():
    with pytest.raises(VenueFileError) as error:
        parse_venue(HARBOUR + MQTT + 'password = "hush"\n', formats=FORMATS)
    assert "password_file" in str(error.value)
    assert "hush" not in str(error.value)


def test_check_says_what_can_surprise_and_loads_no_client(tmp_path):
    (tmp_path / "venue.toml").write_text(
        HARBOUR + MQTT.replace("127.0.0.1:1883", "broker.local")
        + '[[source]]\nkind = "serial"\naddress = "/dev/ttyUSB0"\n', encoding="utf-8")
    code = ("import sys; from remanence.pipelines.commands import main; main(sys.argv[1:]); "
            "print(sorted(m for m in ('paho', 'serial', 'watchfiles') if m in sys.modules))")
    done = subprocess.run([sys.executable, "-c", code, "check", str(tmp_path)], cwd=ROOT,
                          capture_output=True, text=True, check=True)
    assert "source mqtt: mqtt broker.local, MQTT 5" in done.stdout
    said = " ".join(done.stdout.split())
    assert "the connection to broker.local is not encrypted" in said
    assert "/dev/ttyUSB0 can name another port" in said
    assert done.stdout.strip().endswith("[]")
