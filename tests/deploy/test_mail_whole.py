"""From a simulated fault to a mail on a real mail server: everything that is put together for it."""

from __future__ import annotations

from email.message import EmailMessage
from pathlib import Path
from random import Random

from alerts import channels
from alerts.dispatcher import Dispatcher
from alerts.pace import PaceRules
from deploy.advice_line import advice_line
from deploy.assembly import composer
from review.model_version import model_version
from tests.alerts.far_side import MailSide, free_port, mail_side
from tests.deploy.settings_files import load
from tests.deploy.store import NOW_MS, store
from tests.deploy.stuck import FLEET, POLICY, take_in


def test_a_stuck_valve_becomes_a_mail_with_its_picture(tmp_path: Path) -> None:
    port = free_port()
    settings = load(
        tmp_path,
        f'[alerts.smtp]\nhost = "127.0.0.1"\nport = {port}\nsecurity = "none"\nhelo = "box"\n'
        'sender = "heatbook@northfold.example"\nrecipients = ["desk@northfold.example"]\n'
        '[fleet]\ntime_zone = "Etc/GMT+6"\n[fleet.units]\ntemperature = "F"\n',
    ).settings
    with store(tmp_path) as database, mail_side(MailSide(), port) as side:
        take_in(database, model_version=model_version())
        dispatcher = Dispatcher(
            channels=channels.build(
                settings.channels(), now_ms=lambda: NOW_MS, publish=advice_line(settings.mqtt)
            ),
            write=database.write,
            read=database.read,
            compose=composer(settings, FLEET, database, POLICY),
            now_ms=lambda: NOW_MS,
            rng=Random(1),
            pace=PaceRules(gather_ms=0),
        )
        assert dispatcher.once("smtp") == 1
    (mail,) = side.received
    assert not mail.defects
    text, related = mail.iter_parts()
    assert isinstance(text, EmailMessage)
    assert isinstance(related, EmailMessage)
    page, picture = related.iter_parts()
    assert isinstance(page, EmailMessage)
    assert isinstance(picture, EmailMessage)
    assert "Cooler bypass valve stuck" in str(mail["Subject"])
    assert "NF-01" in text.get_content()
    shown = page.get_content()
    assert f'src="cid:{picture["Content-ID"].strip("<>")}"' in shown
    assert "A healthy truck would have shown about" in shown
    assert "°F" in shown
    assert "°C" not in shown
    assert picture.get_content().startswith(b"\x89PNG")
