"""``make demo`` and ``make serve``: one process that migrates, fills the demo club or none, and serves."""

import argparse
import os
import secrets
import shlex
import socket
import sys
import time
from pathlib import Path

BASE = Path(__file__).resolve().parent.parent.parent


def prepare_environment(port: int) -> None:
    """The embedded deployment on a machine of one's own; whatever the environment names already stays."""
    data = Path(os.environ.setdefault("DATA_DIR", str(BASE / "var")))
    # The static folder stays empty here; the server only wants it to be there.
    (data / "static").mkdir(parents=True, exist_ok=True)
    key = data / "demo-secret"
    if not key.exists():
        key.touch(mode=0o600)
        key.write_text(secrets.token_urlsafe(48))
    os.environ.setdefault("SECRET_KEY", key.read_text())
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clubcoach.settings")
    os.environ.setdefault("SITE_URL", f"http://127.0.0.1:{port}")
    os.environ.setdefault("STATIC_STORAGE", "django.contrib.staticfiles.storage.StaticFilesStorage")
    os.environ.setdefault("STATIC_IN_PLACE", "true")
    os.environ.setdefault("EMAIL_BACKEND", "django.core.mail.backends.filebased.EmailBackend")
    os.environ.setdefault("LOG_LEVEL", "WARNING")


def refuse_busy_port(port: int, target: str) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            sys.exit(f"Port {port} is in use. Stop what runs there, or: make {target} PORT={port + 1}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, default=8000)
    parser.add_argument("--without-demo", action="store_true", help="serve what is there, fill nothing")
    options = parser.parse_args()
    port, empty = options.port, options.without_demo
    started = time.monotonic()
    refuse_busy_port(port, "serve" if empty else "demo")
    prepare_environment(port)
    os.chdir(BASE)

    import django

    django.setup()
    from django.core.management import call_command

    print("Bringing the database up to date ...", flush=True)
    call_command("migrate", verbosity=0)
    if not empty:
        call_command("fill_demo")
    print(f"\nReady after {time.monotonic() - started:.0f} s. Open  http://127.0.0.1:{port}/\n")
    if empty:
        tell_how_to_begin(port)
    else:
        tell_logins()
    print(f"\nMail that would be sent lies in {os.environ['DATA_DIR']}/mail. Stop with Ctrl-C.", flush=True)
    server = ["gunicorn", "clubcoach.wsgi:application", "-k", "gthread", "-w", "1", "--threads", "8"]
    server += ["-b", f"127.0.0.1:{port}", "--log-level", "warning"]
    os.execv(sys.executable, [sys.executable, "-m", *server])


def tell_logins() -> None:
    from reports.demo.club import demo_logins

    print("Log in as one of (demo only):")
    for role, email, password in demo_logins():
        print(f"  {role:<18} {email:<34} {password}")


def tell_how_to_begin(port: int) -> None:
    """The command finds the same data and mail folder as this process, from any other terminal."""
    from clubcoach.models import Club

    clubs = list(Club.objects.order_by("name").values_list("name", "slug"))
    for name, slug in clubs:
        print(f"  {name}: http://127.0.0.1:{port}/c/{slug}/")
    print("Make another club:" if clubs else "There is no club yet. Make one in another terminal:")
    print(f"  {new_club_command()}")
    print("It prints the address with which the head coach comes in.")


def new_club_command() -> str:
    same = {
        "DATA_DIR": os.environ["DATA_DIR"],
        "SITE_URL": os.environ["SITE_URL"],
        "EMAIL_BACKEND": os.environ["EMAIL_BACKEND"],
    }
    settings = " ".join(f"{name}={shlex.quote(value)}" for name, value in same.items())
    return (
        f"{settings} {shlex.quote(sys.executable)} {shlex.quote(str(BASE / 'manage.py'))} new_club"
        " --name 'Our club' --slug our-club --time-zone Europe/Madrid --head-coach coach@club.example"
    )


if __name__ == "__main__":
    main()
