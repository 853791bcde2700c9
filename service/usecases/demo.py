"""The demonstration: a made-up plant with its register, log and trend files, imported and assessed."""

import shutil
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.records import VerdictKind
from service.settings import Settings
from service.usecases.assessing import warm_workers
from service.usecases.files import ImportOptions
from service.usecases.ledger import AssessOutcome, Ledger
from service.usecases.progress import Progress, silent

_MARK = ".made-by-demo"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOutcome:
    """What the demonstration made."""

    imported: int
    assessed: AssessOutcome
    document: Path | None


def prepare_demo(settings: Settings) -> tuple[Path, ...]:
    """Copy the demonstration's register, log and trend files; return the trend files.

    A workspace that the demonstration made before is used again, its files renewed. Any other
    folder with a register in it is left alone.

    Raises
    ------
    RegisterError
        If the folder belongs to another plant or cannot be written.
    """
    workspace = settings.workspace
    mark = workspace / _MARK
    if settings.register_path.exists() and not mark.exists():
        raise RegisterError(
            f"{workspace}: holds another plant, which stays as it is. "
            "Name a new folder with --workspace."
        )
    trends = workspace / "trends"
    try:
        trends.mkdir(parents=True, exist_ok=True)
        settings.documents_path.mkdir(exist_ok=True)
        mark.write_text("The command plateledger demo may renew this folder.\n", encoding="utf-8")
        with as_file(files("demo_data")) as source:
            return _copy(source, settings, trends)
    except OSError as exc:
        raise RegisterError(
            f"{workspace}: cannot be written to, {exc.strerror}. Choose another --workspace."
        ) from None


def _copy(source: Path, settings: Settings, trends: Path) -> tuple[Path, ...]:
    trend_files = sorted((source / "files").glob("*.csv*"))
    if not trend_files:
        raise RegisterError(
            "demo_data/files: the demonstration's files are not there. Install plateledger whole."
        )
    shutil.copyfile(source / "plant.toml", settings.register_path)
    shutil.copyfile(source / "maintenance.csv", settings.maintenance_path)
    return tuple(Path(shutil.copyfile(p, trends / p.name)) for p in trend_files)


def run_demo(
    ledger: Ledger, trend_files: tuple[Path, ...], *, progress: Progress | None = None
) -> DemoOutcome:
    """Load, import, assess, and write a document for the first exchanger that needs cleaning."""
    report = progress or silent
    ready = warm_workers(ledger.settings.workers)
    ledger.load_register()
    for n, path in enumerate(trend_files):
        report(f"importing {path.name}", n, len(trend_files))
        ledger.import_store(path.name, path.read_bytes(), ImportOptions())
    ready()
    outcome = ledger.assess(progress=report)
    needy = [e.tag for e in ledger.evaluations() if e.verdict.kind is VerdictKind.CLEAN_NOW]
    return DemoOutcome(
        imported=len(trend_files),
        assessed=outcome,
        document=ledger.write_document(needy[0]) if needy else None,
    )
