"""`bellwatch page` as a process of its own: it serves until it is ended, and refuses in one line."""

import signal
import socket
import subprocess
import sys
import urllib.request

from tests.rigs.page_rack import page_rack
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import ROOT


def started(settings):
    command = [sys.executable, "-m", "daemon", "page", "--settings", str(settings)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)


def test_it_serves_a_rack_whose_journal_comes_later_until_it_is_ended(tmp_path):
    with page_rack(tmp_path, days=0.02) as rack:
        journal = rack.settings.journal.path
        away = journal.rename(journal.with_suffix(".away"))
        page = started(rack.file)
        try:
            address = page.stdout.readline().split()[-1]
            assert address == f"http://127.0.0.1:{rack.port}/"

            def text():
                with urllib.request.urlopen(address) as answer:
                    return answer.read().decode()

            assert "Nothing can be shown: journal" in text()
            away.rename(journal)
            wait_for(lambda: 'class="vessel' in text())
        finally:
            page.send_signal(signal.SIGTERM)
            _, errors = page.communicate(timeout=20)
        assert page.returncode == 0
        assert "Traceback" not in errors


def test_a_taken_address_and_half_a_certificate_are_refused_in_one_line(tmp_path):
    with page_rack(tmp_path, days=0.02) as rack, socket.socket() as taken:
        taken.bind(("127.0.0.1", rack.port))
        taken.listen()
        page = started(rack.file)
        out, errors = page.communicate(timeout=40)
        assert (page.returncode, out) == (2, "")
        assert f"page: found 127.0.0.1:{rack.port} (Address already in use)" in errors.splitlines()[-1]
        text = rack.file.read_text().replace("[page]\n", f'[page]\nkey = "{tmp_path}/key.pem"\n')
        rack.file.write_text(text)
        page = started(rack.file)
        _, errors = page.communicate(timeout=40)
        assert page.returncode == 2
        line = "page.certificate: found nothing; expected a file: certificate and key belong together\n"
        assert errors == line
