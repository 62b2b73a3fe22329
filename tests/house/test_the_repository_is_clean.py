"""Nothing here ties the project to one machine, to one registry, or to how it came about."""

import re
from collections.abc import Mapping
from pathlib import Path

import pytest


def whole(*parts: str) -> str:
    """A word put together, so that this file does not find itself."""
    return "".join(parts)


HOME_FOLDERS = [whole("wo", "rk"), whole("tm", "p"), whole("ro", "ot"), whole("ho", "me"), whole("Us", "ers")]
REGISTRY_HOSTS = [
    whole("py", "pi.org"), whole("python", "hosted.org"), whole("registry.", "npmjs"), whole("crates", ".io"),
    whole("proxy.", "golang"), whole("ana", "conda.org"), whole("ruby", "gems.org"), whole("deb.", "debian.org"),
]  # fmt: skip
ORIGINS = [
    whole("tran", "scripts?"), whole("seed", " documents?"), whole("language ", "models?"), whole("chat ?", "bots?"),
    whole("as an ", "AI"), whole("AI", "[- ](?:generated|assisted|assistant|agent)"), whole("coding ", "agents?"),
    whole("sub-?", "agents?"), whole("LL", "Ms?"), whole("Clau", "de"), whole("Anth", "ropic"), whole("Open", "AI"),
    whole("Co", "pilot"),
]  # fmt: skip

FORBIDDEN = {
    "a path of one machine": re.compile(rf"(?<![\w.~-])/(?:{'|'.join(HOME_FOLDERS)})/\w|\b[A-Z]:\\Users\\"),
    "a registry's host": re.compile("|".join(map(re.escape, REGISTRY_HOSTS)), re.IGNORECASE),
    "how the project came about": re.compile(rf"\b(?:{'|'.join(ORIGINS)})\b", re.IGNORECASE),
}


def faults(path: Path, text: str) -> list[str]:
    """Each forbidden thing in one file, or in its name."""
    lines = [(0, path.as_posix()), *enumerate(text.splitlines(), start=1)]
    return [
        f"{path}:{number} names {what}: {found.group()}"
        for number, line in lines
        for what, pattern in FORBIDDEN.items()
        if (found := pattern.search(line))
    ]


def test_no_file_names_what_does_not_belong_in_the_repository(repository_texts: Mapping[Path, str]) -> None:
    assert Path("pyproject.toml") in repository_texts
    assert not [fault for path, text in repository_texts.items() for fault in faults(path, text)]


def test_the_lock_names_no_address_and_every_package_in_it_has_a_hash(repository_texts: Mapping[Path, str]) -> None:
    lock = repository_texts[Path("requirements.lock")]
    assert "://" not in lock
    packages = re.findall(r"^[a-z].*?(?=^[a-z]|\Z)", lock, re.DOTALL | re.MULTILINE)
    assert packages
    assert not [package for package in packages if "==" not in package or "--hash=sha256:" not in package]


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (whole("cd /ro", "ot/drawup"), "a path of one machine"),
        (whole("open('/tm", "p/x')"), "a path of one machine"),
        (whole("file:///ho", "me/nurse/x"), "a path of one machine"),
        (whole("https://py", "pi.org/simple"), "a registry's host"),
        (whole("as the tran", "script says"), "how the project came about"),
        (whole("written by an AI", " assistant"), "how the project came about"),
    ],
)
def test_a_line_that_does_not_belong_would_be_found(line: str, what: str) -> None:
    assert len(faults(Path("x"), line)) == 1
    assert what in faults(Path("x"), line)[0]


@pytest.mark.parametrize(
    "line", ["AI (17) is the expiry date", "https://www.example.org/home/page", "src/work/x", "a vaccination session"]
)
def test_a_line_that_only_looks_like_one_is_left_alone(line: str) -> None:
    assert not faults(Path("x"), line)
