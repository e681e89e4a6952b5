"""The fixed environment: what it sets and drops, and that the libraries obey it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy._core import _multiarray_umath

from homewater.running.environment import FIXED, fixed_environment, fonts_configuration, prepare_caches, shell_lines

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def fixed() -> dict[str, str]:
    prepare_caches(ROOT)
    return fixed_environment(ROOT, os.environ)


def python(code: str, environment: dict[str, str], *options: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, *options, "-c", code], env=environment, capture_output=True, text=True, check=True
    )


def test_what_would_change_numbers_is_fixed_or_dropped_and_the_rest_stays(tmp_path):
    base = {
        "OPENBLAS_NUM_THREADS": "8",
        "OPENBLAS_L2_SIZE": "1",
        "PROJ_LIB": "/x",
        "HOME": "/somewhere",
        "PATH": "/bin",
    }
    kept = dict(base)
    found = fixed_environment(tmp_path, base)
    assert base == kept
    assert found["OPENBLAS_NUM_THREADS"] == "1"
    assert "OPENBLAS_L2_SIZE" not in found
    assert "PROJ_LIB" not in found
    assert (found["HOME"], found["PATH"]) == ("/somewhere", "/bin")
    assert "LD_LIBRARY_PATH" not in found


def test_caches_lie_in_the_clone(tmp_path):
    found = fixed_environment(tmp_path, {})
    for name in ("NUMBA_CACHE_DIR", "MPLCONFIGDIR", "XDG_CACHE_HOME", "FONTCONFIG_FILE"):
        assert Path(found[name]).is_relative_to(tmp_path / ".venv" / "cache")


def test_the_fixed_environment_of_a_fixed_environment_is_itself(tmp_path):
    (tmp_path / ".venv" / "system" / "usr" / "lib" / "x86_64-linux-gnu").mkdir(parents=True)
    once = fixed_environment(tmp_path, {"LD_LIBRARY_PATH": "/opt/lib"})
    assert once["LD_LIBRARY_PATH"] == f"{tmp_path}/.venv/system/usr/lib/x86_64-linux-gnu:/opt/lib"
    assert fixed_environment(tmp_path, once) == once


def test_numpy_may_use_nothing_wider_than_avx2():
    """Every group of instructions that numpy chooses from at run time, but for AVX2's, is named (numpy's own list)."""
    groups = set(_multiarray_umath.__cpu_dispatch__)
    assert groups - set(FIXED["NPY_DISABLE_CPU_FEATURES"].split()) == {"X86_V3"}, np.__version__


def test_numpy_obeys_without_a_word(fixed):
    code = (
        "import json, numpy; from numpy._core import _multiarray_umath as m;"
        "print(json.dumps([g for g in m.__cpu_dispatch__ if m.__cpu_features__[g]]))"
    )
    done = python(code, fixed, "-W", "always")
    assert json.loads(done.stdout) == ["X86_V3"]
    assert done.stderr == ""


def test_numba_compiles_for_the_same_processor_everywhere(fixed):
    """No 512-bit register occurs, fused multiply-add of AVX2 is on, and the cache is the clone's."""
    code = """
import numba, numpy as np
@numba.njit
def dot(a, b):
    total = np.zeros(64)
    for i in range(a.shape[0]):
        total[i % 64] = a[i] * 2 + b[i]
    return total
dot(np.ones(640), np.ones(640))
text = list(dot.inspect_asm().values())[0]
print("zmm" in text, "ymm" in text, dot.targetctx.codegen().magic_tuple()[1:])
"""
    done = python(code, fixed)
    assert done.stdout.startswith("False True"), done.stdout
    assert "haswell" in done.stdout
    assert done.stderr == ""


def test_blas_runs_one_thread_with_the_same_kernel_everywhere(fixed):
    code = (
        "import json, numpy, scipy.linalg, threadpoolctl as t;"
        "print(json.dumps([(p['architecture'], p['num_threads']) for p in t.threadpool_info()]))"
    )
    pools = json.loads(python(code, fixed).stdout)
    assert len(pools) >= 2  # numpy's and scipy's own copy
    assert {tuple(pool) for pool in pools} == {("Haswell", 1)}


def test_only_the_fonts_of_the_locked_package_are_seen(fixed):
    code = """
import ctypes
fc = ctypes.CDLL("libfontconfig.so.1")
class FontSet(ctypes.Structure):
    _fields_ = [("n", ctypes.c_int), ("size", ctypes.c_int), ("fonts", ctypes.POINTER(ctypes.c_void_p))]
fc.FcConfigGetFonts.restype = ctypes.POINTER(FontSet)
fc.FcPatternGetString.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(ctypes.c_char_p)]
fc.FcInit()
found = fc.FcConfigGetFonts(None, 0).contents
for i in range(found.n):
    name = ctypes.c_char_p()
    fc.FcPatternGetString(found.fonts[i], b"file", 0, ctypes.byref(name))
    print(name.value.decode())
"""
    files = python(code, fixed).stdout.splitlines()
    assert len(files) >= 4
    assert {Path(file).parent.parent.name for file in files} == {"font_source_sans_pro"}


def test_a_folder_name_with_markup_is_escaped():
    assert "<dir>/a&amp;b/&lt;c&gt;</dir>" in fonts_configuration("/a&b/<c>", "/cache")


def test_the_shell_lines_give_the_same_environment(tmp_path):
    base = {"PATH": os.environ["PATH"], "PROJ_LIB": "it's here", "TZ": "Atlantic/Faroe"}
    script = shell_lines(tmp_path, base) + "\nenv -0"
    text = subprocess.run(["bash", "-c", script], env=base, capture_output=True, text=True, check=True).stdout
    got = dict(line.split("=", 1) for line in text.split("\0") if line)
    for added_by_bash in ("_", "SHLVL", "PWD", "OLDPWD"):
        got.pop(added_by_bash, None)
    assert got == fixed_environment(tmp_path, base)
