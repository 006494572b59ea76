"""What a rig file says of a broker: TLS and users, sessions, topics, and another place for it."""

from __future__ import annotations

import pytest

from drivers.kinds.mqtt import MqttPort
from drivers.ports import PortError, redirect
from monitor.rig.load import RigFaults, parse_rig


@pytest.mark.parametrize(
    ("lines", "key", "allowed"),
    [
        ('ca = "ca.pem"', "ca", "this key goes with tls = true only"),
        ('certificate = "a.pem"', "certificate", "this key goes with tls = true only"),
        ('tls = true\nkey = "a.key"', "key", "this key goes with a 'certificate' only"),
        ('password_file = "p"', "password_file", "this key goes with a 'user' only"),
        (
            'user = "u"\npassword_env = "P"\npassword_file = "p"',
            "password_file",
            "one of password_env and password_file",
        ),
        ('user = "u"\npassword = "secret"', "password", "one of "),
    ],
)
def test_a_rig_file_says_what_goes_with_what(lines, key, allowed):
    with pytest.raises(RigFaults) as caught:
        parse_rig(f'[rig]\nname = "yard"\n[[port]]\nname = "net"\ndriver = "mqtt"\nhost = "h"\n{lines}\n')
    mine = [it for it in caught.value.faults if it.path == f"port[0].{key} (net)"]
    assert len(mine) == 1
    assert mine[0].allowed.startswith(allowed)


def test_tls_has_a_port_of_its_own_and_files_stand_beside_the_rig_file(tmp_path):
    it = MqttPort(name="it", driver="mqtt", host="h", tls=True, ca="ca.pem", certificate="/etc/c.pem")
    assert it.port == 8883
    assert MqttPort(name="it", driver="mqtt", host="h", tls=True, port=1883).port == 1883
    beside = it.beside(tmp_path)
    assert (beside.ca, beside.certificate, beside.key) == (str(tmp_path / "ca.pem"), "/etc/c.pem", None)


@pytest.mark.parametrize(
    ("tls", "url", "place"),
    [
        (False, "mqtts://h", ("h", 8883, True)),
        (False, "mqtts://h:1", ("h", 1, True)),
        (True, "h", ("h", 8883, True)),
        (True, "h:1", ("h", 1, True)),
        (False, "mqtt://h", ("h", 1883, False)),
    ],
)
def test_a_closed_broker_found_elsewhere(tls, url, place):
    it = redirect(MqttPort(name="net", driver="mqtt", host="x", tls=tls), url)
    assert (it.host, it.port, it.tls) == place


@pytest.mark.parametrize("url", ["mqtt://h", "tcp://h:1", "mqtts://u:secret@h", "mqtts://", "mqtts://h/topic"])
def test_no_url_opens_a_closed_port_or_holds_a_password(url):
    with pytest.raises(PortError, match="allowed is mqtts://HOST:PORT") as caught:
        redirect(MqttPort(name="net", driver="mqtt", host="x", tls=True), url)
    assert "secret" not in str(caught.value)


@pytest.mark.parametrize(
    ("lines", "allowed"),
    [
        ('session = "1 h"', "this key goes with a 'client_id' only"),
        ('client_id = "a"\nsession = "1 h"\nqos = 0', "this key goes with qos = 1 only"),
        ('client_id = "a"\nsession = "1 h"\nprotocol = "3.1.1"', "this key goes with protocol = '5' only"),
        ('client_id = "a"\nsession = "0 s"', "a second or more"),
        ('client_id = "a"\nsession = "for ever"', "a time such as"),
    ],
)
def test_a_rig_file_says_what_a_session_takes(lines, allowed):
    with pytest.raises(RigFaults) as caught:
        parse_rig(f'[rig]\nname = "yard"\n[[port]]\nname = "net"\ndriver = "mqtt"\nhost = "h"\n{lines}\n')
    mine = [it for it in caught.value.faults if it.path == "port[0].session (net)"]
    assert len(mine) == 1
    assert mine[0].allowed.startswith(allowed)


NUMBER = 'format = "number"\nunit = "deg"'
JSON = 'format = "json"\nunit = "deg"\npointer = "/{}"'
SENML = 'format = "senml"\nn = "{}"'


@pytest.mark.parametrize(
    ("protocol", "sources", "key", "allowed"),
    [
        ("5", [("yard/#/a", NUMBER)], "topic", "a topic, in which + may stand for a whole level, and # at its end"),
        ("5", [("$share/yard", NUMBER)], "topic", "$share/GROUP/ and what is shared"),
        ("5", [("$share/yard/", NUMBER)], "topic", "$share/GROUP/ and what is shared"),
        ("5", [("$share//a", NUMBER)], "topic", "$share/GROUP/ and what is shared"),
        ("5", [("$share/+/a", NUMBER)], "topic", "$share/GROUP/ and what is shared"),
        ("5", [("$share/yard/+/a", NUMBER)], "", ""),
        ("5", [("$share/yard//a", NUMBER)], "", ""),
        ("5", [("a", SENML.format("urn:dev:7/tilt_x.1"))], "", ""),
        ("5", [("a", SENML.format(""))], "n", "letters, digits and - : . / _"),
        ("5", [("a", SENML.format("tilt x"))], "n", "letters, digits and - : . / _"),
        ("5", [("a", SENML.format("höhe"))], "n", "letters, digits and - : . / _"),
        ("5", [("yard/#", NUMBER), ("yard/a", NUMBER)], "topic", "no topic of channel c0, which is 'yard/#'"),
        ("5", [("yard/a+", NUMBER)], "topic", "a topic, in which + may stand for a whole level, and # at its end"),
        ("5", [("yard/+", NUMBER), ("yard/a", NUMBER)], "topic", "no topic of channel c0, which is 'yard/+'"),
        ("5", [("yard/+", NUMBER), ("+/a", JSON.format("x"))], "format", "one format a topic: 'yard/+' is 'number'"),
        ("3.1.1", [("yard/+", JSON.format("x")), ("+/a", JSON.format("y"))], "topic", "with protocol '3.1.1' none"),
        ("5", [("yard/+", JSON.format("x")), ("+/a", JSON.format("y"))], "", ""),
        ("3.1.1", [("yard/+", JSON.format("x")), ("yard/a", JSON.format("y"))], "", ""),
    ],
)
def test_a_rig_file_says_which_topics_go_together(protocol, sources, key, allowed):
    text = f'[rig]\nname = "yard"\n[[port]]\nname = "net"\ndriver = "mqtt"\nhost = "h"\nprotocol = "{protocol}"\n'
    for i, (topic, how) in enumerate(sources):
        text += f'[[channel]]\nname = "c{i}"\nquantity = "angle"\n[channel.source]\nport = "net"\ntopic = "{topic}"\n{how}\n'
    with pytest.raises(RigFaults) as caught:
        parse_rig(text)
    mine = [it for it in caught.value.faults if it.path.startswith("channel[") and ".source" in it.path]
    assert len(mine) == (1 if key else 0), mine
    for fault in mine:
        assert fault.path.startswith(f"channel[{len(sources) - 1}].source.{key}")
        assert fault.allowed.startswith(allowed)
