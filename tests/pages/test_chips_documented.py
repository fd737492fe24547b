"""Pages of chips that the catalogue documents: reports against it, and names of two chips."""

from pathlib import Path

from flask.testing import FlaskClient

from kbapi.app import create_app
from tests.makers import a_submission, an_instance, send
from tests.pages.test_chips import a_lock, page_of, text_of


def test_reports_that_contradict_a_document_stand_beside_it(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    client = create_app(instance).test_client()
    key = "amd-ryzen-7-5700x3d"
    for number in range(4):
        document = a_submission(number=number, chip=key, locks=a_lock("open"))
        del document["settings"]
        send(instance, document)
    locks = client.get(f"/v1/locks?chip={key}").get_json()
    assert locks["factory_lock"]["is_contradicted"]
    text = text_of(page_of(client, f"/chips/{key}"))
    assert locks["locks"][0]["text"] in text
    assert locks["factory_lock"]["text"] in text
    assert "Most reports contradict this: check yours before you trust either." in text
    instance.close()


def test_a_name_of_two_chips_asks_which(client: FlaskClient) -> None:
    name = "RX 6750 GRE"
    keys = ["amd-radeon-rx-6750-gre-10gb", "amd-radeon-rx-6750-gre-12gb"]
    for path, status in ((f"/search?text={name}", 200), (f"/chips/{name}", 404)):
        html = page_of(client, path, status)
        assert [f'<a href="/chips/{key}">' in html for key in keys] == [True, True]
