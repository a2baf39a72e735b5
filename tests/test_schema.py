"""Migrated shape equals model-built shape; upgrades lose nothing, whole or not at all."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect

from refdb import schema
from refdb.catalogue import Catalogue
from refdb.catalogue_link import connect
from refdb.errors import CatalogueError
from refdb.records import Derived
from refdb.tables import Base
from tests.builders_catalogue import ROOT, capture, run_python, said

FIXTURES = Path(__file__).parent / "fixtures" / "catalogues"
HEAD, AFTER = schema.HEAD, f"{int(schema.HEAD) + 1:04d}"  # AFTER: a revision made up for the test


def shape(path: Path) -> dict:
    """All that SQLite knows of the tables, in an order that does not matter."""
    engine = create_engine(f"sqlite:///{path}")
    look = inspect(engine)
    found: dict = {}
    for name in look.get_table_names():
        if name == "alembic_version":
            continue
        found[name] = {
            "columns": [
                (column["name"], str(column["type"]), column["nullable"], str(column["default"]))
                for column in look.get_columns(name)
            ],
            "key": str(look.get_pk_constraint(name)),
            "checks": sorted((c["name"], c["sqltext"]) for c in look.get_check_constraints(name)),
            "unique": sorted(
                (u["name"], u["column_names"]) for u in look.get_unique_constraints(name)
            ),
            "links": sorted(str(sorted(link.items())) for link in look.get_foreign_keys(name)),
            "indexes": sorted((i["name"], i["column_names"]) for i in look.get_indexes(name)),
        }
    engine.dispose()
    with closing(connect(path)) as link:
        found["triggers"] = sorted(
            link.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        )
        endings = link.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        found["options"] = sorted(
            (name, "WITHOUT ROWID" in sql, "AUTOINCREMENT" in sql)
            for name, sql in endings
            if name != "alembic_version"
        )
    return found


@pytest.fixture
def path(tmp_path) -> Path:
    place = tmp_path / "shop.sqlite"
    with Catalogue.open(place) as catalogue, catalogue.write() as unit:
        for seed in range(4):
            unit.add(capture(seed), said(f"v{seed}", tags={"a": "b"}), Derived(0, "r", b"p"))
        unit.relabel(2, "fault", "open diode", "seen again")
        unit.commit()
    return place


def test_migrated_shape_is_the_models_shape(path, tmp_path):
    built = tmp_path / "built.sqlite"
    engine = create_engine(f"sqlite:///{built}")
    Base.metadata.create_all(engine)
    engine.dispose()
    assert shape(path) == shape(built)


def test_every_constraint_has_a_name(path):
    with closing(connect(path)) as link:
        for name, sql in link.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'"):
            unnamed = re.findall(
                r"^\s*(?:CHECK|UNIQUE|FOREIGN KEY|PRIMARY KEY)", sql or "", re.MULTILINE
            )
            assert not unnamed, (name, sql)


def test_head_is_the_newest_revision():
    from alembic.script import ScriptDirectory

    assert ScriptDirectory.from_config(schema.alembic_config()).get_heads() == [schema.HEAD]


def test_downgrade_leaves_nothing(path):
    from alembic import command

    with closing(connect(path)) as link:
        link.execute("PRAGMA foreign_keys = OFF")
        connection = schema._for_alembic(link)
        link.execute("BEGIN IMMEDIATE")
        command.downgrade(schema.alembic_config(connection), "base")
        link.commit()
        left = link.execute("SELECT name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'")
        assert left.fetchall() == [("alembic_version",)]


def test_the_template_makes_a_revision_with_the_rules_inside(tmp_path, monkeypatch):
    from migrations.__main__ import new_revision

    shutil.copytree(schema.SCRIPTS, tmp_path / "migrations")
    monkeypatch.setattr(schema, "SCRIPTS", tmp_path / "migrations")
    made = new_revision("Jobs and what was done")
    assert made.name == f"{AFTER}_jobs_and_what_was_done.py"
    text = made.read_text()
    compile(text, made.name, "exec")
    assert "Name every constraint" in text and f"down_revision = '{HEAD}'" in text


# --- an upgrade, tried with a revision made up for the test ----------------------------------

NEXT = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "AFTER", "HEAD", None, None

def upgrade():
    op.create_table("job", sa.Column("id", sa.Integer(), primary_key=True))
    with op.batch_alter_table("reference") as batch:
        batch.add_column(sa.Column("gear", sa.Text(), nullable=False, server_default="N"))
    FAIL

def downgrade():
    with op.batch_alter_table("reference") as batch:
        batch.drop_column("gear")
    op.drop_table("job")
"""


@pytest.fixture
def next_version(tmp_path, monkeypatch):
    """Makes this program one schema newer than it is."""
    scripts = tmp_path / "migrations"

    def make(fail: str = "") -> None:
        shutil.copytree(schema.SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
        text = NEXT.replace("FAIL", fail).replace("AFTER", AFTER).replace("HEAD", HEAD)
        (scripts / "versions" / f"{AFTER}_gear.py").write_text(text)
        monkeypatch.setattr(schema, "SCRIPTS", scripts)
        monkeypatch.setattr(schema, "HEAD", AFTER)

    return make


def test_a_filled_catalogue_is_upgraded_and_copied_before(path, next_version):
    with Catalogue.open(path) as catalogue:
        before = (catalogue.references(), catalogue.history(), catalogue.revision)
    old_checks = shape(path)["reference"]["checks"]
    next_version()
    with Catalogue.open(path) as catalogue:
        assert (catalogue.references(), catalogue.history(), catalogue.revision) == before
        assert catalogue.verify() == []
        assert catalogue.reference_set("alternator-ripple", "r").derived[1] == b"p"
    assert shape(path)["reference"]["checks"] == old_checks
    assert schema.stored_version(path) == AFTER
    copy = path.with_name(f"shop.sqlite.schema-{HEAD}.backup")
    assert copy.stat().st_mode & 0o777 == 0o600
    assert schema.stored_version(copy) == HEAD


def test_a_failed_upgrade_leaves_the_catalogue_as_it_was(path, next_version):
    before = shape(path)
    next_version("raise OSError(28, 'No space left on device')")
    with pytest.raises(CatalogueError, match="expected room to write, found the disk full"):
        Catalogue.open(path)
    assert shape(path) == before
    assert sorted(file.name for file in path.parent.glob("shop*")) == ["shop.sqlite"]


def test_an_upgrade_that_breaks_a_link_is_refused(path, next_version):
    next_version("op.execute('DELETE FROM vehicle WHERE id = 1')")
    with pytest.raises(CatalogueError) as caught:
        Catalogue.open(path)
    assert str(caught.value) == (
        f"{path}: expected an upgrade to schema {AFTER} that keeps every link, found a row of "
        "'reference' without its 'vehicle'; nothing was changed, run `straygauge verify` with "
        "the older version"
    )


def test_two_upgrades_at_once_are_one(path, next_version):
    next_version()
    problems: list[BaseException] = []

    def open_() -> None:
        try:
            with Catalogue.open(path) as catalogue:
                assert len(catalogue.references()) == 4
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=open_) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert len(list(path.parent.glob("*.backup"))) == 1


UPGRADE = """
import sys
from pathlib import Path
from refdb import schema
from refdb.catalogue import Catalogue
schema.SCRIPTS, schema.HEAD = Path(sys.argv[2]), sys.argv[3]
with Catalogue.open(sys.argv[1]) as catalogue:
    assert len(catalogue.references()) == 4
"""


def test_two_processes_upgrading_at_once_are_one(path, next_version):
    next_version()
    command = [sys.executable, "-c", UPGRADE, str(path), str(schema.SCRIPTS), AFTER]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    running = [
        subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    assert [one.communicate(timeout=120)[1] for one in running] == [""] * 3
    assert len(list(path.parent.glob("*.backup"))) == 1


@pytest.mark.parametrize("old", sorted(FIXTURES.glob("*.db")), ids=lambda file: file.stem)
def test_catalogues_of_every_earlier_version_open(old, tmp_path):
    place = tmp_path / "old.sqlite"
    shutil.copy(old, place)
    with Catalogue.open(place) as catalogue:
        assert catalogue.verify() == []
        assert len(catalogue.references(states=None)) == 4
        assert sorted(catalogue.reference(2).tags.items()) == [("odometer", "81200")]
        assert catalogue.capture(3).samples.shape == (2, 60)
        assert [row.action for row in catalogue.history(2)] == ["add", "relabel"]


KILLED = """
import os, signal, sys
from pathlib import Path
from refdb import schema
real = schema._run_revisions
def run(connection, link):
    real(connection, link)
    if sys.argv[2] == "before the commit":
        os.kill(os.getpid(), signal.SIGKILL)
schema._run_revisions = run
copy = schema.online_copy
def copied(*arguments):
    copy(*arguments)
    if sys.argv[2] == "after the copy":
        os.kill(os.getpid(), signal.SIGKILL)
schema.online_copy = copied
schema.prepare(Path(sys.argv[1]), create=False)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("moment", ["after the copy", "before the commit", "after the commit"])
def test_a_kill_during_the_upgrade_of_a_filled_catalogue(tmp_path, moment):
    place = tmp_path / "old.sqlite"
    shutil.copy(FIXTURES / "schema_0001.db", place)
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, str(place), moment],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, timeout=120,
    )  # fmt: skip
    assert killed.returncode == -9, killed.stderr
    assert schema.stored_version(place) == ("0002" if moment == "after the commit" else "0001")
    with Catalogue.open(place) as catalogue:
        assert catalogue.verify() == []
        assert len(catalogue.references(states=None)) == 4
    assert schema.stored_version(place) == schema.HEAD


# --- the file --------------------------------------------------------------------------------


def test_an_empty_file_becomes_a_catalogue(tmp_path):
    # what a kill right after making the file leaves
    path = tmp_path / "shop.sqlite"
    path.touch()
    with Catalogue.open(path) as catalogue:
        assert catalogue.references() == ()


def test_a_copied_backup_is_put_into_wal_mode_again(path, tmp_path):
    with Catalogue.open(path) as catalogue:
        catalogue.backup(tmp_path / "b")
    with Catalogue.open(tmp_path / "b") as copy, closing(connect(copy.path)) as link:
        assert link.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_scripts_are_found_from_any_folder(tmp_path):
    code = "import sys; from refdb.catalogue import Catalogue; catalogue = Catalogue.open("
    assert (
        run_python(
            f"{code}sys.argv[1]); print(catalogue.references())", str(tmp_path / "shop.sqlite")
        )
        == "()\n"
    )
