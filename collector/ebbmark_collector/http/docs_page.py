"""The API's description as one page for people: no script, nothing loaded from anywhere."""

import json
from collections.abc import Mapping
from html import escape
from typing import Any

_STYLE = """
:root { color-scheme: light dark; --line: #8886; --soft: #8882; }
body { font: 16px/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 62rem; padding: 1.5rem; }
nav ul { columns: 3 16rem; padding: 0; list-style: none; } nav a { text-decoration: none; }
h2 { border-bottom: 1px solid var(--line); margin-top: 2.5rem; text-transform: capitalize; }
article { border-left: 3px solid var(--line); margin: 1.2rem 0; padding: 0 0 0 1rem; }
h3 { font-size: 1rem; margin: 0; } h3 code { font-size: 1rem; }
.method { display: inline-block; min-width: 4.2rem; }
table { border-collapse: collapse; font-size: .9rem; } td, th { border-bottom: 1px solid var(--soft);
  padding: .15rem .8rem .15rem 0; text-align: left; vertical-align: top; }
pre { background: var(--soft); overflow: auto; padding: .6rem; font-size: .85rem; }
summary { cursor: pointer; } .muted { opacity: .75; }
"""


def _name(schema: Mapping[str, Any]) -> str:
    ref = schema.get("$ref")
    if ref:
        name = ref.rpartition("/")[2]
        return f'<a href="#schema-{escape(name)}">{escape(name)}</a>'
    if "anyOf" in schema:
        return " or ".join(_name(part) for part in schema["anyOf"])
    if schema.get("type") == "array":
        return f"list of {_name(schema.get('items', {}))}"
    if "enum" in schema:
        return ", ".join(f"<code>{escape(str(word))}</code>" for word in schema["enum"])
    if "const" in schema:
        return f"<code>{escape(str(schema['const']))}</code>"
    kind = str(schema.get("format") or schema.get("type") or "any")
    bounds = [f"{word} {schema[key]}" for key, word in (("minimum", "≥"), ("maximum", "≤")) if key in schema]
    return escape(" ".join([kind, *bounds]))


def _parameters(operation: Mapping[str, Any]) -> str:
    rows = "".join(
        f"<tr><td><code>{escape(p['name'])}</code></td>"
        f"<td>{p['in']}{', needed' if p.get('required') else ''}</td>"
        f"<td>{_name(p['schema'])}</td><td>{escape(p.get('description', ''))}</td></tr>"
        for p in operation.get("parameters", [])
    )
    return f"<details><summary>Parameters</summary><table>{rows}</table></details>" if rows else ""


def _body(operation: Mapping[str, Any]) -> str:
    content = operation.get("requestBody", {}).get("content", {}).get("application/json")
    if content is None:
        return ""
    text = f"<p>Body: {_name(content['schema'])}</p>"
    if "example" in content:
        text += f"<pre>{escape(json.dumps(content['example'], indent=2, ensure_ascii=False))}</pre>"
    return text


def _answers(operation: Mapping[str, Any]) -> str:
    found = []
    for status, answer in operation["responses"].items():
        for media, content in answer.get("content", {}).items():
            found.append(f"{status} {_name(content['schema'])} <span class=muted>{escape(media)}</span>")
    problems = ", ".join(status for status, answer in operation["responses"].items() if "$ref" in answer)
    return f"<p>Answers: {'; '.join(found) or 'nothing'}. <span class=muted>Problems: {problems}.</span></p>"


def _article(path: str, method: str, operation: Mapping[str, Any]) -> str:
    return (
        f'<article id="{escape(operation["operationId"])}"><h3><code>'
        f"<span class=method>{method.upper()}</span> {escape(path)}</code></h3>"
        f"<p><b>{escape(operation['summary'])}.</b> "
        f"{escape(operation.get('description', ''))}</p>{_parameters(operation)}{_body(operation)}"
        f"{_answers(operation)}</article>"
    )


def _schema(name: str, schema: Mapping[str, Any]) -> str:
    rows = "".join(
        f"<tr><td><code>{escape(key)}</code></td><td>{_name(part)}</td>"
        f"<td>{escape(part.get('description', ''))}</td></tr>"
        for key, part in schema.get("properties", {}).items()
    )
    words = ", ".join(f"<code>{escape(str(word))}</code>" for word in schema.get("enum", []))
    about = escape(schema.get("description", "")).replace("\n", "<br>")
    return (
        f'<article id="schema-{escape(name)}"><h3>{escape(name)}</h3><p>{about} {words}</p>'
        f"<table>{rows}</table></article>"
    )


def page(document: Mapping[str, Any]) -> str:
    """Write an OpenAPI document as HTML.

    Args:
        document: The document, as this collector makes it.
    """
    by_tag: dict[str, list[tuple[str, str, Mapping[str, Any]]]] = {}
    for path, item in document["paths"].items():
        for method, operation in item.items():
            by_tag.setdefault(operation["tags"][0], []).append((path, method, operation))
    contents = "".join(
        f'<li><a href="#{escape(operation["operationId"])}">{escape(operation["summary"])}</a></li>'
        for group in by_tag.values()
        for _, _, operation in group
    )
    sections = "".join(
        f"<section><h2>{escape(tag)}</h2>{''.join(_article(*each) for each in group)}</section>"
        for tag, group in by_tag.items()
    )
    schemas = "".join(
        _schema(name, schema) for name, schema in sorted(document["components"]["schemas"].items())
    )
    info = document["info"]
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(info["title"])}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>'
        f"<h1>{escape(info['title'])} {escape(info['version'])}</h1><p>{escape(info['summary'])}</p>"
        "<p>Send <code>Authorization: Bearer &lt;token&gt;</code>. Times are UTC, rates bytes per second, "
        'sizes bytes. Every error is a <a href="/problems/invalid">problem document</a>. The form for '
        'programs is <a href="/openapi.json">openapi.json</a>.</p>'
        f"<nav><ul>{contents}</ul></nav>{sections}<section><h2>Schemas</h2>{schemas}</section></body></html>"
    )


def problem_page(kind: str, title: str, status: int) -> str:
    """Write what a kind of problem means."""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body><h1>{escape(title)}</h1>"
        f"<p>Problem type <code>{escape(kind)}</code>, status {status}. "
        "The document's <code>detail</code> says what happened and what to do; "
        "<code>errors</code> names the fields that are wrong.</p>"
        '<p><a href="/docs">The API</a></p></body></html>'
    )
