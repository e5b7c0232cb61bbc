"""The parts of a page joined: one script, one style, a policy of their hashes, data in their places."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema

import roomplan
from roomplan.report.schemas.catalogue import document_schema
from roomplan.show.page.assembly import SCRIPTS, joined_script

FOLDER = Path(roomplan.__file__).parent / "show" / "page"


def strict(schema: Any) -> Any:
    """Return a schema in which a mapping has no keys but those it lists."""
    if isinstance(schema, list):
        return [strict(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    closed = {
        key: one if key in {"enum", "const", "required"} else strict(one) for key, one in schema.items()
    }
    return closed | ({"additionalProperties": False} if "required" in schema else {})


def test_the_document_of_a_page_is_as_its_schema_says(shared):
    jsonschema.Draft202012Validator(strict(document_schema("page"))).validate(shared.document)


def test_every_script_of_the_folder_is_joined_once():
    assert sorted(SCRIPTS) == sorted(path.name for path in FOLDER.glob("*.js"))


def test_a_script_imports_only_from_those_before_it():
    for place, name in enumerate(SCRIPTS):
        imported = re.findall(r'from "\./([a-z]+\.js)"', (FOLDER / name).read_text(encoding="utf-8"))
        assert set(imported) <= set(SCRIPTS[:place]), name


def test_what_a_script_imports_is_exported_where_it_says():
    imports = 0
    for name in SCRIPTS:
        text = (FOLDER / name).read_text(encoding="utf-8")
        for words, source in re.findall(r'^import \{([^}]*)\} from "\./([a-z]+\.js)";$', text, re.MULTILINE):
            exported = re.findall(
                r"^export (?:async )?(?:function|class|const) (\w+)",
                (FOLDER / source).read_text(encoding="utf-8"),
                re.MULTILINE,
            )
            wanted = {word.strip() for word in words.split(",")}
            assert wanted <= set(exported), (name, source)
            imports += len(wanted)
    assert imports > 20


def test_the_joined_script_has_no_import_no_export_and_no_name_twice():
    script = joined_script()
    assert re.findall(r"^(?:import|export)\b.*", script, re.MULTILINE) == []
    names = Counter(re.findall(r"^(?:async )?(?:function|class|const|let) (\w+)", script, re.MULTILINE))
    assert len(names) > 60
    assert [name for name, count in names.items() if count > 1] == []


def test_nothing_in_the_joined_script_could_end_its_element():
    assert "</script" not in joined_script().lower()
    assert "<!--" not in joined_script()


def test_every_script_asks_to_be_checked_for_types():
    assert all((FOLDER / name).read_text(encoding="utf-8").startswith("// @ts-check\n") for name in SCRIPTS)


def test_the_policy_lets_in_the_one_script_and_the_one_style_by_their_hashes(shared):
    policy = re.findall(r'Content-Security-Policy" content="([^"]*)"', shared.text)
    assert len(policy) == 1
    scripts = re.findall(r'<script type="module">(.*?)</script>', shared.text, re.DOTALL)
    styles = re.findall(r"<style>(.*?)</style>", shared.text, re.DOTALL)
    hashes = [
        f"'sha256-{base64.b64encode(hashlib.sha256(one.encode()).digest()).decode()}'"
        for one in scripts + styles
    ]
    assert len(hashes) == 2
    assert policy[0].startswith(f"default-src 'none'; script-src {hashes[0]}; style-src {hashes[1]};")
    assert "unsafe" not in policy[0]


def test_a_page_holds_no_other_address_than_the_name_of_a_vocabulary(shared):
    parts = (
        joined_script() + (FOLDER / "page.css").read_text("utf-8") + (FOLDER / "page.html").read_text("utf-8")
    )
    assert set(re.findall(r"\bhttps?://[^\s\"'`]*", parts)) == {"http://www.w3.org/2000/svg"}
    assert str(shared.folder) not in shared.text


def test_no_element_of_the_page_has_a_style_or_a_handler_of_its_own():
    page = (FOLDER / "page.html").read_text("utf-8")
    assert re.findall(r"\s(?:style|on\w+)=", page) == []


def test_only_the_scripts_and_the_data_are_script_elements(shared):
    # the title of the plan tries to be one more
    kinds = Counter(re.findall(r"<script type=\"([^\"]*)\"", shared.text))
    assert kinds == {"application/json": 1, "module": 1, "application/octet-stream": len(shared.sounds)}
    assert shared.text.count("<script") == sum(kinds.values())
    assert shared.text.count("</script") == sum(kinds.values())


def test_words_of_the_plan_are_put_into_the_page_as_text_alone():
    script = joined_script()
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function", script
    )
