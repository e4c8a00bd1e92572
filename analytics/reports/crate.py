"""What was run, on what, with what result: `run.json`, a run record in the form of a Process Run Crate.

A report's folder is the crate: the run is a CreateAction whose instrument is the notebook, whose objects
are the tables read (by hash and number of rows, never copied), and whose results are the files of the
report. It also holds what only a machine needs: the settings, the seed, the request by which a batch
knows that nothing changed.

Source: RO-Crate 1.1 (w3id.org/ro/crate/1.1) and its Process Run Crate profile 0.5; the names of entities and
properties are theirs. A crate keeps this under the name ro-crate-metadata.json; copy run.json to it for
tools that ask.
"""

import hashlib
import json
import platform
from pathlib import Path
from typing import Any

from analytics import files
from analytics.reports.record import PACKAGE, code_sha256

CONTEXT = "https://w3id.org/ro/crate/1.1/context"
PROFILE = "https://w3id.org/ro/wfrun/process/0.5"
METADATA = "ro-crate-metadata.json"
COMPLETED = "http://schema.org/CompletedActionStatus"
MEDIA_TYPES = {
    ".html": "text/html",
    ".ipynb": "application/x-ipynb+json",
    ".json": "application/json",
    ".pdf": "application/pdf",
    ".tex": "application/x-tex",
    ".zip": "application/zip",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def request_sha256(run: dict[str, Any]) -> str:
    """Return one hash of all that decides a report: notebook, code, settings, formats, the data's files."""
    parts = {
        "notebook": run["notebook_sha256"],
        "code": code_sha256(),
        "settings": run["parameters"],
        "formats": run["formats"],
        "data": _data_files(Path(run["data"])) if run["data"] else [],
        "folders": [_data_files(Path(place)) for place in run.get("folders", {}).values()],
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def compose(run: dict[str, Any], outcome: dict[str, Any], folder: Path, finished: str) -> dict[str, Any]:
    """Return the record of a complete run; every file of the folder is listed with its hash.

    Parameters
    ----------
    run
        The run as planned (`render`).
    outcome
        What the child said of it: title, answer.
    folder
        Folder that holds the report's files.
    finished
        Time at the end, ISO.
    """
    made = sorted(p for p in folder.iterdir() if p.is_file())
    rests_on = json.loads((folder / "results.json").read_text(encoding="utf-8"))["provenance"]
    outputs = [_file(p) for p in made]
    inputs = [_table(source) for source in rests_on["sources"]]
    notebook = f"#{run['page']}.ipynb"
    graph = [
        {
            "@id": METADATA,
            "@type": "CreativeWork",
            "about": _ref("./"),
            "conformsTo": _ref("https://w3id.org/ro/crate/1.1"),
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": outcome["title"],
            "description": outcome["answer"],
            "conformsTo": _ref(PROFILE),
            "datePublished": finished,
            "hasPart": [_ref(o["@id"]) for o in outputs],
            "mentions": _ref("#run"),
        },
        {
            "@id": "#run",
            "@type": "CreateAction",
            "name": run["name"],
            "actionStatus": COMPLETED,
            "startTime": run["started"],
            "endTime": finished,
            "instrument": _ref(notebook),
            "object": [_ref(i["@id"]) for i in inputs]
            + [_ref(f"#setting-{name}") for name in sorted(run["parameters"])],
            "result": [_ref(o["@id"]) for o in outputs],
        },
        {
            "@id": notebook,
            "@type": ["SoftwareApplication"],
            "name": run["page"],
            "sha256": run["notebook_sha256"],
            "softwareRequirements": [_ref("#package"), _ref("#python")],
        },
        *_software(rests_on),
        *inputs,
        *[
            {"@id": f"#setting-{name}", "@type": "PropertyValue", "name": name, "value": value}
            for name, value in sorted({**run["parameters"], "seed": run["seed"]}.items())
        ],
        *outputs,
    ]
    own = {
        "request_sha256": request_sha256(run),
        "seconds": outcome["seconds"],
        "state": "complete",
        "changed": run["changed"],
    }
    return {"@context": CONTEXT, "@graph": graph, **own}


def _software(rests_on: dict[str, Any]) -> list[dict[str, Any]]:
    package = {
        "@id": "#package",
        "@type": "SoftwareApplication",
        "name": PACKAGE,
        "softwareVersion": f"{rests_on['version']}, commit {rests_on['commit']}",
        "sha256": rests_on["code_sha256"],
    }
    python = {
        "@id": "#python",
        "@type": "SoftwareApplication",
        "name": "Python",
        "softwareVersion": rests_on["python"],
        "operatingSystem": f"{platform.system()} {platform.machine()}",
    }
    libraries = [
        {"@id": f"#{name}", "@type": "SoftwareApplication", "name": name, "softwareVersion": version}
        for name, version in rests_on["libraries"].items()
    ]
    return [
        {**package, "softwareRequirements": [_ref(part["@id"]) for part in libraries]},
        python,
        *libraries,
    ]


def _file(path: Path) -> dict[str, Any]:
    return {
        "@id": path.name,
        "@type": "File",
        "name": path.name,
        "encodingFormat": MEDIA_TYPES.get(path.suffix, "application/octet-stream"),
        "contentSize": path.stat().st_size,
        "sha256": files.sha256(path),
    }


def _table(source: dict[str, Any]) -> dict[str, Any]:
    return {
        "@id": f"#table-{source['table']}",
        "@type": "CreativeWork",
        "name": Path(str(source["file"])).name,
        "description": f"table {source['table']}, {source['n_rows']} rows; not copied",
        "sha256": source["sha256"],
    }


def _data_files(place: Path) -> list[list[str]]:
    """Return name and hash of each file of the data, one level deep."""
    found = sorted(p for p in place.iterdir() if p.is_file()) if place.is_dir() else [place]
    return [[p.name, files.sha256(p)] for p in found if not p.name.startswith((".", "~"))]


def _ref(name: str) -> dict[str, str]:
    return {"@id": name}
