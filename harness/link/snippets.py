"""Short pieces of MicroPython that the link itself runs on a board. They run from 1.9 on."""

from __future__ import annotations

import ast
from importlib import resources

from harness.link.answers import SAY_S

FOLDER = "rotorgate"
"""Folder on the board for device scripts, so that none of them overwrites a file of the firmware."""

IDENTITY = (
    """\
import sys
try:
    from machine import unique_id
    uid = unique_id()
except Exception:
    uid = b''
i = sys.implementation
v = '.'.join([str(n) for n in i.version if n != ''])
m = getattr(i, '_machine', '')
try:
    import os
    m = os.uname()[4]
except Exception:
    pass
u = ''.join(['%02x' % b for b in uid])
s = repr({'unique_id': u, 'system': sys.platform, 'implementation': i.name, 'version': v, 'machine': m})
"""
    + SAY_S
)

ABILITIES = """\
import sys, gc, os
o = []
if hasattr(getattr(sys, 'stdout', None), 'buffer'): o.append('binary_out')
if hasattr(sys, 'stdin'): o.append('stdin')
if hasattr(getattr(sys, 'stdin', None), 'buffer'): o.append('binary_in')
for n in ('hashlib', 'select', 'binascii', 'deflate'):
    try:
        __import__(n)
        o.append(n)
    except ImportError: pass
for n in ('mkdir', 'rename'):
    if hasattr(os, n): o.append(n)
gc.collect()
if gc.mem_free() < 20000: o.append('small')
else:
    try:
        exec('def f(a):\\n for b in a:\\n  if b: return [(b, c) for c in a]\\nf((0, 1))')
        o.append('nests')
    except Exception: pass
if gc.mem_free() > 200000: o.append('roomy')
print(' '.join(o))
"""
"""Prints the abilities: binary_out, stdin, binary_in, hashlib, select, binascii, deflate, mkdir, rename,
small, roomy (heap), nests (runs a source within another: no small heap, a stack of some KiB)."""

SHA256 = """\
import hashlib
def _sum(n):
    try: f = open(n, 'rb')
    except OSError: return '-'
    h = hashlib.sha256()
    while 1:
        b = f.read(512)
        if not b: break
        h.update(b)
    f.close()
    return ''.join(['%02x' % b for b in h.digest()])
"""

LENGTH_CRC = """\
def _sum(n):
    try: f = open(n, 'rb')
    except OSError: return '-'
    c = s = 0
    while 1:
        b = f.read(64)
        if not b: break
        c = crc32(b, c)
        s += len(b)
    f.close()
    return '%d:%d' % (s, c)
"""

RECEIVE = """\
import sys
_b = bytearray(%(block)d)
_v = memoryview(_b)
_r = sys.stdin.buffer.readinto
_w = sys.stdout.write
_f = open(%(name)r, 'wb')
_w('+')
try:
    while 1:
        _r(_b)
        n = _b[0] - 30
        if n == 2: break
        for p in _v[n:n + _b[1] - 32]: _b[p - 30] = 3
        _f.write(_v[2:n])
        _w('+')
finally:
    _f.close()
"""
"""Takes a file in blocks of one size (files.blocks); prints a + when it is ready for one more."""


EXPAND = """\
import deflate, io, os
_p = open(%(packed)r, 'rb')
try: _s = io.BytesIO(_p.read())  # a file is read byte by byte
except MemoryError:
    _p.seek(0)
    _s = _p
_d = deflate.DeflateIO(_s, deflate.RAW, %(bits)d)
_f = open(%(name)r, 'wb')
while 1:
    b = _d.read(512)
    if not b: break
    _f.write(b)
_f.close()
_p.close()
_s = _d = None
os.remove(%(packed)r)
"""
"""Unpacks a file that came compressed."""

READ = """\
f = open(%(name)r, 'rb')
while 1:
    b = f.read(512)
    if not b: break
    frames.send(70, b)
f.close()
"""
"""Sends a file in pieces, each a frame of kind F."""


def framed(source: str) -> str:
    """A script with the first and last frame around it."""
    return f"import frames\nframes.begin()\n{source}\nframes.done()\n"


def device_script(name: str) -> bytes:
    """A device script as shipped."""
    return resources.files("device_scripts").joinpath(name).read_bytes()


def slim(source: bytes) -> bytes:
    """A device script without comments and docstrings, its line numbers kept, for boards with a few KiB of heap."""
    text = source.decode()
    lines = [line if not line.lstrip().startswith("#") else "" for line in text.split("\n")]
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef) or ast.get_docstring(node) is None:
            continue
        doc = node.body[0]
        for number in range(doc.lineno - 1, doc.end_lineno or doc.lineno):
            lines[number] = ""
        if len(node.body) == 1:
            lines[doc.lineno - 1] = " " * doc.col_offset + "pass"
    return "\n".join(lines).encode()
