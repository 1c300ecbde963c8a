"""A real general-purpose FHIR server as the record system (outside software, R4).

What it holds is read back through its own API and compared with what was emitted. Numbers are
compared by value and times by instant: the server writes both in its own form.
"""

import json
import urllib.request
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from tests.crash.rig import Rig, minutes_ago, panel, plain, world
from tests.peers.conftest import Peer

PATIENTS = 2


def test_it_holds_exactly_what_was_emitted(general_server: Peer, tmp_path: Path) -> None:
    rig = Rig(tmp_path, bases={"record-system": general_server.base})
    with rig.standins():
        rig.start()
        resources = world(PATIENTS, minutes_ago(5))
        resources += [panel(n % PATIENTS, n, minutes_ago(1)) for n in range(6)]
        for resource in resources:
            assert rig.post(resource)
        rig.quiet()
        emitted = rig.delivered("record-system")
        held = {(type, id): _read(general_server, type, id) for type, id, _ in emitted}

        assert {type for type, _, _ in emitted} >= {"Procedure", "DetectedIssue", "Task"}
        for type, id, body in emitted:
            assert _by_value(held[type, id]) == _by_value(plain(body)), (type, id)

        for resource in resources:
            assert rig.post(resource)
        rig.quiet()
        rig.stop()
        again = {(type, id): _read(general_server, type, id) for type, id, _ in emitted}

        assert again == held
        assert rig.delivered("record-system") == emitted


def _read(peer: Peer, type: str, id: str) -> bytes:
    with urllib.request.urlopen(f"{peer.base}/{type}/{id}", timeout=10) as response:  # noqa: S310
        return plain(response.read())


def _by_value(body: bytes) -> Any:
    return _plain_values(json.loads(body, parse_float=Decimal))


def _plain_values(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain_values(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain_values(item) for item in value]
    if isinstance(value, Decimal):
        return value.normalize()
    if isinstance(value, int) and not isinstance(value, bool):
        return Decimal(value).normalize()
    if isinstance(value, str) and len(value) > 15 and value[10:11] == "T":
        return datetime.fromisoformat(value.replace("Z", "+00:00"))
    return value
