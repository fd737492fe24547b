"""Every instance serves the client for scripts, and says which one it is."""

import hashlib
from pathlib import Path

from flask.testing import FlaskClient

from kbapi.client import kbapi_client

JSON = {"Accept": "application/json"}
FILE = "/client/kbapi_client.py"


def test_the_file_is_served_whole_and_asked_for_again_only_when_it_changed(
    client: FlaskClient,
) -> None:
    answer = client.get(FILE)
    assert (answer.status_code, answer.mimetype) == (200, "text/x-python")
    assert answer.data == Path(kbapi_client.__file__).read_bytes()
    again = client.get(FILE, headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert client.get(FILE, headers={"If-None-Match": '"another"'}).status_code == 200


def test_the_page_and_the_json_name_version_and_hash_of_the_served_file(
    client: FlaskClient,
) -> None:
    served = client.get(FILE).data
    answer = client.get("/client", headers=JSON)
    found = answer.get_json()
    assert found["version"] == kbapi_client.__version__
    assert found["sha256"] == hashlib.sha256(served).hexdigest()
    assert found["bytes"] == len(served)
    assert found["address"].endswith(FILE)
    assert found["install"] == f"curl -O {found['address']}"
    page = client.get("/client")
    assert page.mimetype == "text/html"
    for text in (found["install"], found["sha256"], found["version"]):
        assert text in page.get_data(as_text=True)
    assert answer.headers["Vary"] == page.headers["Vary"] == "Accept"
