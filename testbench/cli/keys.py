"""``testbench keys``: the works' own small authority, and the keys of stations and persons."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from testbench.cli.output import home_of, home_option, json_option, say, say_json

if TYPE_CHECKING:
    from testbench.certificate.passphrases import Passphrases
    from testbench.certificate.register import Entry

Command = TypeVar("Command", bound=Callable[..., Any])

STDIN = "Read passphrases from standard input, one line each, in the order they are asked for."
stdin_option = click.option("--passphrase-stdin", "from_stdin", is_flag=True, help=STDIN)
REASONS = {
    "key-lost": "keyCompromise",
    "left": "affiliationChanged",
    "replaced": "superseded",
    "ended": "cessationOfOperation",
}
DESTROYED = (
    "The private key that was replaced is destroyed here; its certificate stays, for what it signed. Destroy copies of "
    "the key, in backups and on tokens, as well."
)
SELF_SIGNED = (
    "No revocation list can name it. This home trusts it no more; tell whoever checks with it as --signer, and give "
    "them the root and the signed list: testbench keys export."
)
LOST = (
    "Pages that it signed without an earlier time stamp count no more: verify calls them REVOKED. If it is the key in "
    "use, make a new one with 'testbench keys {}'; then replace each page with 'testbench certificate replace NUMBER', "
    "and give customers the new lists: testbench keys export."
)


def root_option(*, required: bool) -> Callable[[Command], Command]:
    """The folder that the root is kept in."""
    return click.option(
        "--root-dir", type=click.Path(file_okay=False, path_type=Path), required=required,
        help="Folder of the root: on a medium that is kept in a safe and fetched only for this.",
    )  # fmt: skip


@click.group()
def command() -> None:
    """The works' own certificates: make, renew, revoke, hand to customers."""


@command.command()
@root_option(required=True)
@click.option("--station-without-passphrase", "plain", is_flag=True, help="For a bench that nobody unlocks.")
@stdin_option
@home_option
def init(root_dir: Path, home: Path | None, *, plain: bool, from_stdin: bool) -> None:
    """Make root, issuing authority and the station's certificate.

    Asks for three new passphrases: of the root, of the issuing authority, of the station. Where the folder holds the
    works' root already, this bench joins it: the root's own passphrase is asked for instead of a new one.

    The key that the station had is destroyed; its certificate stays, and what it sealed until now stays valid.
    """
    from testbench.certificate.keyring import make_authority
    from testbench.certificate.keys import fingerprint_of, grouped, read_certificate
    from testbench.certificate.root import ROOT_CERTIFICATE, ROOT_KEY

    bench, keys, at = _bench(home)
    ask, joins = _asked(from_stdin=from_stdin), (root_dir / ROOT_KEY).exists()
    if joins:
        there = grouped(fingerprint_of(read_certificate(root_dir / ROOT_CERTIFICATE)))
        say(f"{root_dir} holds a root, which this bench is to join: {there}")
    made = make_authority(keys, root_dir, bench.works.name, at, ask, bench=bench.name)
    made.newest_page = _newest_page(home, at)
    station = made.issue_station(bench.name, bench.works.name, at, ask, plain=plain)
    if joins:
        say(
            "This bench has an issuing authority of its own under it. Put the folder back into its safe, renew the copy"
        )
        say("that lies apart, and give customers the new root.crl: testbench keys export.")
    else:
        say(f"Made the works' root in {root_dir}. Move that folder to a medium of its own, lock it away, keep a copy")
        say("apart; it is needed again for another bench, to renew or revoke an issuing authority, and once a year for")
        say("its revocation list.")
    say(f"  root         {grouped(fingerprint_of(made.root))}")
    say(f"  station      {grouped(station.fingerprint)}, valid until {station.until:%Y-%m-%d}")
    say(DESTROYED)
    say("Next: testbench keys issue NAME for each person; testbench keys export --for-customer DIRECTORY.")


@command.command()
@home_option
@json_option
def show(home: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """List every certificate that was issued: in force, due for renewal, ended or revoked.

    Also those that the station signed itself, before there was an authority.
    """
    from testbench.certificate.keyring import Authority
    from testbench.certificate.keys import retired_keys

    _, keys, at = _bench(home)
    entries = Authority(keys).known.entries
    if as_json:
        say_json([entry.model_dump(mode="json") | {"state": entry.state(at)} for entry in entries])
        return
    for entry in entries:
        say(_line(entry, entry.state(at)))
    for path in retired_keys(keys):
        say(f"A private key that was replaced lies here still: {path}. 'testbench keys renew station' destroys it.")


@command.command()
@click.argument("name")
@stdin_option
@home_option
def issue(name: str, home: Path | None, *, from_stdin: bool) -> None:
    """Make the person NAME a key and a certificate.

    Asks for the passphrase of the issuing authority, then for the person's new one, which only the person should know.
    """
    from testbench.certificate.keyring import Authority

    bench, keys, at = _bench(home)
    entry = Authority(keys).issue_person(name, bench.works.name, at, _asked(from_stdin=from_stdin))
    say(_line(entry, entry.state(at)))
    _tie(home, entry)


@command.command()
@click.argument("what")
@root_option(required=False)
@click.option("--station-without-passphrase", "plain", is_flag=True, help="For a bench that nobody unlocks.")
@stdin_option
@home_option
def renew(what: str, root_dir: Path | None, home: Path | None, *, plain: bool, from_stdin: bool) -> None:
    """Make WHAT a new key: "station", "issuing" (needs --root-dir), or the name of a person.

    The old certificate stays valid until its own end, so that both count for a while; the old key is destroyed, save
    that of an issuing authority, which still signs its list. Asks for the passphrase of the issuing authority (of the
    root, for "issuing"), then for the new one.
    """
    from testbench.certificate.authority import Why
    from testbench.certificate.keyring import Authority
    from testbench.errors import AuthorityRefusedError

    bench, keys, at = _bench(home)
    held, ask = Authority(keys), _asked(from_stdin=from_stdin)
    if what == "station":
        held.newest_page = _newest_page(home, at)
        entry = held.issue_station(bench.name, bench.works.name, at, ask, plain=plain)
    elif what == "issuing":
        if root_dir is None:
            raise AuthorityRefusedError("Folder of the root", "none", "--root-dir: only the root renews an authority")
        entry = held.renew_issuing(root_dir, bench.works.name, at, ask)
    else:
        named = held.register.find(what, Why.SUPERSEDED).name
        entry = held.issue_person(named, bench.works.name, at, ask)
        _tie(home, entry)
    say(_line(entry, entry.state(at)))
    if what != "issuing":
        say(DESTROYED)


@command.command()
@click.argument("what")
@click.option(
    "--reason", type=click.Choice(list(REASONS)), required=True, help="Why; key-lost undoes what is unstamped."
)
@root_option(required=False)
@stdin_option
@home_option
def revoke(what: str, reason: str, root_dir: Path | None, home: Path | None, *, from_stdin: bool) -> None:
    """Revoke the certificate WHAT, a name or serial number, and sign the lists that say so.

    Asks for the passphrase of each issuing authority, then of the root if --root-dir is given; for an issuing authority
    of any bench, of the root alone. A certificate that the station signed itself stands on no such list: it counts no
    longer in this home, and the signed list of withdrawn documents tells customers. Send the lists to your customers:
    testbench keys export.
    """
    from testbench.certificate.authority import Why
    from testbench.certificate.keyring import Authority
    from testbench.certificate.register import ANEW

    _, keys, at = _bench(home)
    entry = Authority(keys).revoke(what, Why(REASONS[reason]), at, _asked(from_stdin=from_stdin), root_dir)
    say(_line(entry, entry.state(at)))
    if entry.self_signed:
        say(SELF_SIGNED)
    if entry.why is Why.KEY_COMPROMISE and entry.role in ANEW:
        say(LOST.format(ANEW[entry.role].format(entry.name)))


@command.command()
@root_option(required=False)
@stdin_option
@home_option
def crl(root_dir: Path | None, home: Path | None, *, from_stdin: bool) -> None:
    """Sign the revocation lists anew, which is due every month (the root's: every year)."""
    from testbench.certificate.keyring import Authority

    _, keys, at = _bench(home)
    for path in Authority(keys).make_lists(at, _asked(from_stdin=from_stdin), root_dir):
        say(f"Written: {path}")


@command.command()
@click.option("--module", required=True, help="PKCS#11 module of the token, for example libsofthsm2.so with its path.")
@click.option("--token", "label", required=True, help="Label of the token.")
@click.option("--key", "key", required=True, help="Label of an ECDSA P-256 key pair that was made on it.")
@stdin_option
@home_option
def token(module: str, label: str, key: str, home: Path | None, *, from_stdin: bool) -> None:
    """Let the station's key live on a token. Asks for its PIN, then for the passphrase of the issuing authority."""
    from testbench.certificate.keyring import Authority

    bench, keys, at = _bench(home)
    names, held = {"module": module, "token": label, "key": key}, Authority(keys)
    held.newest_page = _newest_page(home, at)
    entry = held.move_station_to_token(names, bench.name, bench.works.name, at, _asked(from_stdin=from_stdin))
    say(_line(entry, entry.state(at)))
    say(DESTROYED)


@command.command()
@click.option(
    "--for-customer", "folder", type=click.Path(file_okay=False, path_type=Path), required=True,
    help="Folder for the root certificate, the lists and the page that says how to check.",
)  # fmt: skip
@click.option("--out-language", "language", metavar="LANGUAGE", help="Of the page; else that of bench.toml.")
@stdin_option
@home_option
def export(folder: Path, language: str | None, home: Path | None, *, from_stdin: bool) -> None:
    """Write what a customer needs to check certificates without us; hand it over by another way than those.

    Root certificate, revocation lists, the list of withdrawn documents, which is signed with the station key, and one
    page that says how to check. Benches under one root may write into one folder.
    """
    from testbench.certificate.customer import HandOver, export_for_customer
    from testbench.certificate.keyring import Authority
    from testbench.cli.secrets import passphrases
    from testbench.wiring import Home
    from testbench.withdrawing import list_for_customers

    bench, keys, at = _bench(home)
    held = Authority(keys)
    withdrawn = list_for_customers(Home(home_of(home)), passphrases(from_stdin=from_stdin))
    language = language or ("en" if bench.report is None else bench.report.language)
    handed = HandOver(bench.works, bench.name, withdrawn, at, bench.paper, language)
    written, left_out = export_for_customer(held, handed, folder)
    for path in written:
        say(f"Written: {path}")
    for path, why in left_out:
        say(f"Taken out: {path}, for it counts no more: {why}. Export at that bench again.")


def _bench(home: Path | None) -> tuple[Any, Path, Any]:
    """The bench, its keys folder and the time of day."""
    from testbench.instruments.clocks import SystemClock
    from testbench.wiring import Home

    found = Home(home_of(home))
    return found.bench(), found.keys, SystemClock().utc()


def _newest_page(home: Path | None, at: datetime) -> datetime:
    """When the newest page was sealed; the time of day where there is none."""
    from testbench.wiring import Home, read_store

    found = Home(home_of(home))
    if not found.database.exists():
        return at
    with read_store(found) as store:
        return max((one.issued for one in store.documents()), default=at)


def _tie(home: Path | None, entry: "Entry") -> None:
    from testbench.signers import tie_key
    from testbench.wiring import Home

    person = tie_key(Home(home_of(home)), entry.name, entry.fingerprint)
    if person:
        say(f"The ledger ties this key to '{person}'.")
    else:
        say(f"Nobody is registered under the name {entry.name}: the key is tied to no person of this bench.")


def _asked(*, from_stdin: bool) -> "Passphrases":
    from testbench.certificate.passphrases import FromLines, FromTerminal

    return FromLines(sys.stdin) if from_stdin else FromTerminal()


def _line(entry: "Entry", state: str) -> str:
    own = ", signed by itself" if entry.self_signed else ""
    dates = f"{entry.since:%Y-%m-%d} to {entry.until:%Y-%m-%d}"
    return f"{entry.role:<8} {entry.name:<34} {dates}  {entry.serial}  {state}{own}"
