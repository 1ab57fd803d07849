"""Opens every .eml of a folder with Python's own mail reader (RFC 5322, RFC 2045-2049).

Fails where a mail lacks a text part, an HTML part, a date, where a picture that the HTML
shows is not attached, is not a PNG or has no words in its place, where the cautions do not
stand before the findings, or where what is still open is not told in a few lines.
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
    words = " ".join(text.split())
    assert words.startswith("Heard from "), f"{path}: silence is not health, so this comes first"
    assert words.index("CAUTION: ") < re.search(r"NEW \(\d+\)|Nothing new", words).start(), path
    assert "CAUTIONS" in words and words.endswith("come before anything said here."), path
    still_open = re.search(r"^STILL OPEN \((\d+)\)$(.*?)^CAUTIONS$", text, re.M | re.S)
    if still_open:
        lines = still_open[2].strip().splitlines()
        assert 2 <= len(lines) <= 60, f"{path}: {len(lines)} lines of what is still open"
        assert "export findings" in " ".join(still_open[2].split()), f"{path}: does not say where the others are"
    assert not re.search(r"\b(wet_oil|seal_water)\b|-0\.0\b", text), path
    pictures = {
        part["Content-ID"].strip("<>"): part.get_content()
        for part in message.walk()
        if part.get_content_maintype() == "image"
    }
    shown = re.findall(r'src="cid:([^"]+)"', html)
    assert all('alt="' in tag for tag in re.findall(r"<img [^>]*>", html)), f"{path}: no alt text"
    for name in shown:
        assert pictures[name].startswith(b"\x89PNG"), f"{path}: {name} is no PNG"
    print(f"{path.name}: {message['Subject']!r}, {len(shown)} pictures")
