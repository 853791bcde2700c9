"""Every setting: name, type, default, one line of help.

Each may be given as an environment variable with the prefix ``PLATELEDGER_``
(``PLATELEDGER_DATABASE_URL``) or by an option of the command.
"""

from pathlib import Path

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Where a plant's files and database are, and how the pages are served."""

    model_config = SettingsConfigDict(env_prefix="PLATELEDGER_", extra="ignore", frozen=True)

    workspace: Path = Field(
        default_factory=Path.cwd, description="folder with plant.toml, the ledger and documents"
    )
    database_url: str | None = Field(
        default=None,
        description="SQLAlchemy URL; without: the file ledger.sqlite in the workspace",
    )
    host: str = Field(default="127.0.0.1", description="address the pages are served at")
    port: int = Field(default=8420, ge=0, le=65535, description="port the pages are served at")
    allowed_hosts: tuple[str, ...] = Field(
        default=("127.0.0.1", "localhost", "[::1]"),
        description="host names by which a browser may ask; others are refused",
    )
    mqtt_password: SecretStr | None = Field(
        default=None, description="password for the broker that the register names"
    )
    workers: int = Field(
        default=0, ge=0, description="exchangers assessed at the same time; 0: one per core"
    )
    largest_upload_bytes: int = Field(
        default=256 * 1024 * 1024, gt=0, description="a larger file is refused by the pages"
    )
    held_upload_bytes: int = Field(
        default=1024 * 1024 * 1024,
        gt=0,
        description="files sent to the pages that wait for an answer; beyond it the oldest go",
    )

    @property
    def register_path(self) -> Path:
        """The register file."""
        return self.workspace / "plant.toml"

    @property
    def maintenance_path(self) -> Path:
        """The maintenance log that people may keep by hand."""
        return self.workspace / "maintenance.csv"

    @property
    def documents_path(self) -> Path:
        """Where documents are written."""
        return self.workspace / "documents"

    @property
    def url(self) -> str:
        """The database's SQLAlchemy URL."""
        return self.database_url or f"sqlite:///{self.workspace / 'ledger.sqlite'}"
