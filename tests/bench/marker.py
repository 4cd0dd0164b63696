"""A coach at work while an import runs: saves a mark, waits a little, and again; tells how long each took.

Run as a process of its own: the address of the operations, the target of the marks and the person are its
arguments. It ends when its input is closed, and prints the milliseconds as JSON.
"""

import json
import sys
import threading
import time
import uuid

import django

django.setup()

from django.test import Client  # noqa: E402

from clubcoach.models import User  # noqa: E402

PAUSE_S = 0.1


def main(address: str, target: str, person: str) -> None:
    client = Client()
    client.force_login(User.objects.get(pk=person))
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    device, rev, took = str(uuid.uuid4()), None, []
    seq = 0
    while not over.is_set():
        seq += 1
        op = {"op": str(uuid.uuid4()), "device": device, "seq": seq, "kind": "mark.set", "target": target}
        op |= {"base_rev": rev, "body": {"value": ("met", "missed")[seq % 2]}}
        began = time.perf_counter()
        answer = client.post(address, json.dumps({"ops": [op]}), content_type="application/json")
        took.append(1000 * (time.perf_counter() - began))
        result = answer.json()["results"][0]
        assert result["status"] == "applied", result
        rev = result["rev"]
        time.sleep(PAUSE_S)
    print(json.dumps(took))


main(*sys.argv[1:])
