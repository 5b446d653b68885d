"""The live page shows the alerts that are on, whoever published their words."""

from contract import status
from judged import settings

from dumpload.web.live import View, blocks_of


def more(**changes: object) -> str:
    return blocks_of(View(status(**changes), "", settings().control))["more"]


def test_an_alert_is_on_the_live_page_with_its_words_as_text() -> None:
    alert = {"alert": "data_lost", "since": "2025-06-16T09:02:03.000Z", "text": "no valid <b>charge</b> for 1 h"}
    html = more(alerts=[alert], at="2025-06-16T12:00:00.000Z")
    assert "<h2>Alerts</h2>" in html
    assert "no valid &lt;b&gt;charge&lt;/b&gt; for 1 h, since 09:02 UTC" in html


def test_without_one_there_is_no_heading() -> None:
    assert "Alerts" not in more()
