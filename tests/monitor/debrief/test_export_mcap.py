"""A recording as MCAP, read back by the format's own library with its checksums, every message held against its schema."""

from __future__ import annotations

import json

import jsonschema
from mcap.reader import make_reader

from .exported import START_NS, Said, bits, export, figures


def test_every_value_comes_back_to_the_bit(cut_off, said: Said, tmp_path, capsys):
    assert export(cut_off, tmp_path / "out.mcap") == 0
    messages: dict[str, list[tuple[int, dict]]] = {}
    judges: dict[int, jsonschema.Draft202012Validator] = {}
    with (tmp_path / "out.mcap").open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        for schema, channel, message in reader.iter_messages(log_time_order=False):
            assert (schema.encoding, channel.message_encoding) == ("jsonschema", "json")
            if schema.id not in judges:
                jsonschema.Draft202012Validator.check_schema(json.loads(schema.data))
                judges[schema.id] = jsonschema.Draft202012Validator(json.loads(schema.data))
            found = json.loads(message.data)
            judges[schema.id].validate(found)
            assert message.log_time == START_NS + found.get("time_ns", message.log_time - START_NS)
            messages.setdefault(channel.topic, []).append((message.log_time, found))
        [metadata] = list(reader.iter_metadata())
        [attached] = list(reader.iter_attachments())
    for name in said.units:
        values = [(at, bits(it["value"])) for at, it in messages[f"/readings/{name}"]]
        assert values == [(START_NS + it.time_ns, bits(it.value)) for it in said.readings if it.channel == name]
    names = list(figures(said.pictures[0]))
    for name in names:
        group, key = name.rpartition(".")[::2]
        topic = "/pictures" + ("/" + group.replace(".", "/", 1) if group else "")
        assert [(at, bits(it[key])) for at, it in messages[topic]] == [
            (START_NS + it.time_ns, bits(figures(it)[name])) for it in said.pictures
        ]
    assert [it["rule"] for _, it in messages["/alarms"]] == [it.alarm.rule for it in said.changes]
    assert [it["with"] for _, it in messages["/actions"]] == [dict(it.details) for it in said.actions]
    assert metadata.metadata["started"] == said.recording.header.started
    assert "never drives a valve" in metadata.metadata["caution"]
    assert (attached.name, attached.data.decode()) == ("rig.toml", said.recording.header.rig)
    assert export(cut_off, tmp_path / "out.mcap") == 2
    assert "nothing is written over" in capsys.readouterr().err
