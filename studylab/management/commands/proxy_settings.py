"""proxy_settings: print what a site puts into nginx in front of gunicorn."""

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from scheduling.forms.rota import LONGEST_FILE
from studylab.studies.forms import LONGEST_DOCUMENT

TEXT = """\
# Made by `manage.py proxy_settings`. Start the site with STUDYLAB_BEHIND_PROXY=true, and let nothing but this proxy
# reach gunicorn: it believes what stands in the two X-Forwarded headers below.
upstream studylab {{
    server {upstream} fail_timeout=0;
    keepalive 16;
}}
server {{
    listen {listen};
    server_name {names};
{tls}    client_max_body_size {megabytes}m;  # as the site itself
    location / {{
        proxy_pass http://studylab;
        proxy_http_version 1.1;
        proxy_set_header Connection "";
        proxy_set_header Host $host;
        proxy_set_header X-Forwarded-Proto $scheme;      # set, so that nobody outside can say it
        proxy_set_header X-Forwarded-For $remote_addr;   # set, not added to: attempts are counted by it
        proxy_set_header X-Request-ID $request_id;
        proxy_read_timeout 35s;                          # gunicorn gives up after 30
        proxy_next_upstream off;                         # a form is never sent twice
        proxy_redirect off;
    }}
}}
"""
TLS = """\
    ssl_certificate /etc/nginx/tls/site.crt;
    ssl_certificate_key /etc/nginx/tls/site.key;
    ssl_protocols TLSv1.2 TLSv1.3;
"""


class Command(BaseCommand):
    """`proxy_settings > /etc/nginx/conf.d/studylab.conf`, then the paths of the certificate."""

    help = "Print the settings of an nginx in front of the site: host names, headers, limits."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take where nginx listens and where gunicorn does."""
        parser.add_argument("--listen", default="443 ssl", help="where nginx listens (443 ssl)")
        parser.add_argument(
            "--upstream", default="127.0.0.1:8000", help="where gunicorn listens (127.0.0.1:8000)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print them."""
        names = [one for one in settings.ALLOWED_HOSTS if one != "*"]
        if not names:
            raise CommandError(
                "STUDYLAB_HOSTS names no host: nginx has to know which names are the site's."
            )
        if any(set(value) & set(";{}\n#") for value in (options["listen"], options["upstream"])):
            raise CommandError("--listen and --upstream take an address, nothing else.")
        self.stdout.write(
            TEXT.format(
                listen=options["listen"], upstream=options["upstream"], names=" ".join(names),
                tls=TLS if "ssl" in options["listen"] else "", megabytes=largest() // 2**20 + 1,
            )
        )  # fmt: skip


def largest() -> int:
    """Return how many bytes the largest form that the site takes has."""
    return max(settings.DATA_UPLOAD_MAX_MEMORY_SIZE, 4 * LONGEST_DOCUMENT, LONGEST_FILE)
