"""Pages of a record in a browser: no serious barrier by axe, in the light and in the dark, failed analyses included."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from offline_browser import browser, offline_page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_of_a_record_has_a_serious_barrier(chromium_path, record, scheme):
    found = []
    with browser(chromium_path) as started, offline_page(started, color_scheme=scheme) as opened:
        for page in sorted(record.glob("*.html")):
            opened.show(page, figures="figure-1" in page.read_text("utf-8"))
            violations = Axe().run(opened.page).response["violations"]
            found += [(page.name, v["id"], v["nodes"][0]["html"][:120]) for v in violations
                      if v["impact"] in ("serious", "critical")]  # fmt: skip
    assert found == []
