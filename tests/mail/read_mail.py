"""Opens every .eml of a folder with Python's own mail reader (RFC 5322, RFC 2045-2049).

Fails where a mail lacks a text part, an HTML part, a date, or where a picture that the
HTML shows is not attached or is not a PNG.
"""

import email
import email.policy
import pathlib
import re
import sys

folder = pathlib.Path(sys.argv[1])
mails = sorted(folder.glob("*.eml"))
assert mails, f"no .eml in {folder}"
for path in mails:
    message = email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
    assert not message.defects, (path, message.defects)
    for header in ("From", "To", "Subject", "Date", "Message-ID", "MIME-Version"):
        assert message[header], f"{path}: no {header}"
    text = message.get_body(("plain",)).get_content()
    html = message.get_body(("html",)).get_content()
    assert len(text) > 100 and "<html" in html.lower(), path
    assert max(map(len, text.splitlines())) <= 100, f"{path}: a text line is too long"
    pictures = {
        part["Content-ID"].strip("<>"): part.get_content()
        for part in message.walk()
        if part.get_content_maintype() == "image"
    }
    shown = re.findall(r'src="cid:([^"]+)"', html)
    for name in shown:
        assert pictures[name].startswith(b"\x89PNG"), f"{path}: {name} is no PNG"
    print(f"{path.name}: {message['Subject']!r}, {len(shown)} pictures")
