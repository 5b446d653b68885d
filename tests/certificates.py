"""A certificate authority for one test, made with the openssl program: a server's and a client's certificate."""

import shutil
import subprocess
from pathlib import Path

import pytest

AUTHORITY = ["basicConstraints=critical,CA:true", "keyUsage=critical,keyCertSign,cRLSign"]
SERVER = "subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n"
CLIENT = "extendedKeyUsage=clientAuth\n"
KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]


class Authority:
    """Certificates and keys in a folder: NAME.pem and NAME.key."""

    def __init__(self, folder: Path, name: str = "authority") -> None:
        if shutil.which("openssl") is None:
            pytest.skip("the openssl program is not installed")
        self.folder = folder
        self.name = name
        extensions = [word for text in AUTHORITY for word in ("-addext", text)]
        self._openssl("req", "-x509", *KEY, *extensions, "-days", "2", "-subj", f"/CN={name}", *self._out(name))

    def sign(self, name: str, extensions: str) -> None:
        """Make a key and a certificate for it."""
        request = str(self.folder / f"{name}.csr")
        self._openssl("req", *KEY, "-subj", f"/CN={name}", "-keyout", self.key(name), "-out", request)
        file = self.folder / f"{name}.ext"
        file.write_text(f"basicConstraints=CA:false\nauthorityKeyIdentifier=keyid\n{extensions}")
        ours = ["-CA", self.pem(self.name), "-CAkey", self.key(self.name), "-CAcreateserial"]
        self._openssl(
            "x509", "-req", "-in", request, *ours, "-days", "2", "-extfile", str(file), "-out", self.pem(name)
        )

    def pem(self, name: str) -> str:
        return str(self.folder / f"{name}.pem")

    def key(self, name: str) -> str:
        return str(self.folder / f"{name}.key")

    def _out(self, name: str) -> list[str]:
        return ["-keyout", self.key(name), "-out", self.pem(name)]

    @staticmethod
    def _openssl(*args: str) -> None:
        subprocess.run(["openssl", *args], check=True, capture_output=True)
