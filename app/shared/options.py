"""Options and arguments that commands share, each with one name and one help text."""

from pathlib import Path
from typing import Annotated, Any

import typer


def option(flag: str, value: str, says: str, **more: Any) -> Any:
    """An option whose help says what its value is, a folder or minutes, rather than its type."""
    return typer.Option(flag, metavar=value, help=says, **more)


def argument(value: str, says: str) -> Any:
    """An argument: what its value is, and what it says."""
    return typer.Argument(metavar=value, help=says)


def _port(flag: str, whose: str) -> Any:
    return option(flag, "NUMBER", f"Port of the {whose} pages.", min=1, max=65535)


_HOST = "Address or name of the staff's pages; beyond this machine only encrypted."
Data = Annotated[Path | None, option("--data", "FOLDER", "The folder with the workshop's data.")]
Port = Annotated[int, _port("--port", "staff's")]
PublicPort = Annotated[int, _port("--public-port", "customers'")]
PagesPort = Annotated[int, _port("--port", "customers'")]
Host = Annotated[str, option("--host", "ADDRESS", _HOST)]
Certificate = Annotated[Path | None, option("--certificate", "FILE", "Certificate and chain, PEM.")]
CertificateKey = Annotated[
    Path | None, option("--certificate-key", "FILE", "The certificate's key, PEM.")
]
Names = Annotated[
    list[str] | None, option("--name", "NAME", "A host name that tablets use; again for more.")
]
ProxyNames = Annotated[
    list[str] | None, option("--behind-proxy", "NAME", "The proxy's host name; again for more.")
]
ProxyAddresses = Annotated[
    list[str] | None,
    option("--proxy-address", "ADDRESS", "The proxy's IP address; again for more."),
]
Months = Annotated[int, option("--months", "NUMBER", "Months of history.", min=1, max=240)]
OrdersPerMonth = Annotated[
    int, option("--orders-per-month", "NUMBER", "Orders in each month.", min=1, max=2000)
]
Seed = Annotated[int, option("--seed", "NUMBER", "Another number makes another demo.", min=0)]
Replications = Annotated[
    int, option("--replications", "NUMBER", "Simulated runs; more are steadier.", max=100_000)
]
AsJson = Annotated[bool, option("--json", "", "Print JSON and nothing else.")]
