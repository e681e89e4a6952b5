"""The fixed environment in which every step runs, so that the same inputs give the same bytes on any machine.

Only the standard library is used: the launcher, the tests and the shell (`python environment.py CLONE`) all read it
before anything else is loaded.
"""

from __future__ import annotations

import os
import shlex
import sys
import sysconfig
from collections.abc import Mapping
from pathlib import Path
from xml.sax.saxutils import escape

# What the instruction set Haswell has (LLVM's names); numba compiles for it wherever it runs.
_HASWELL = (
    "+64bit,+avx,+avx2,+bmi,+bmi2,+cmov,+crc32,+cx16,+cx8,+f16c,+fma,+fsgsbase,+fxsr,+invpcid,+lzcnt,+mmx,+movbe,"
    "+pclmul,+popcnt,+rdrnd,+sahf,+sse,+sse2,+sse3,+sse4.1,+sse4.2,+ssse3,+xsave,+xsaveopt"
)

FIXED = {
    # products and decompositions differ in bits between numbers of threads and between kernels
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "OPENBLAS_CORETYPE": "Haswell",
    # numpy, numba and Arrow pick wider instructions where the processor has them
    "NPY_DISABLE_CPU_FEATURES": "X86_V4 AVX512_ICL AVX512_SPR",
    "NUMBA_CPU_NAME": "haswell",
    "NUMBA_CPU_FEATURES": _HASWELL,
    "ARROW_USER_SIMD_LEVEL": "AVX2",
    "PYTHONHASHSEED": "0",
    "PYTHONNOUSERSITE": "1",
    "PYTHONDONTWRITEBYTECODE": "1",
    "LC_ALL": "C.UTF-8",
    "TZ": "UTC",
    "MPLBACKEND": "Agg",
    "PROJ_NETWORK": "OFF",
}

# What a user may have set for other programs and what would change numbers, pictures or the packages found.
DROPPED = (
    "OPENBLAS_L2_SIZE",
    "OPENBLAS_VERBOSE",
    "NPY_ENABLE_CPU_FEATURES",
    "NUMBA_DISABLE_JIT",
    "NUMBA_OPT",
    "PYTHONHOME",
    "PYTHONOPTIMIZE",
    "PYTHONWARNINGS",
    "PROJ_DATA",
    "PROJ_LIB",
    "GDAL_DATA",
    "LANGUAGE",
    "FONTCONFIG_PATH",
    "FONTCONFIG_SYSROOT",
    "PANGOCAIRO_BACKEND",
    "MATPLOTLIBRC",
    "SOURCE_DATE_EPOCH",  # the report's step sets it from the study
)


def cache_folder(clone: str | Path) -> Path:
    """Return the folder of all caches, inside the clone's environment and so outside version control."""
    return Path(clone) / ".venv" / "cache"


def fixed_environment(clone: str | Path, base_env: Mapping[str, str]) -> dict[str, str]:
    """Return the environment for steps; nothing is written (see `prepare_caches`).

    Args:
        clone: top folder of the clone; its caches lie in .venv/cache.
        base_env: the environment to start from, as a rule os.environ. Not changed.

    Returns:
        A new environment: `base_env` without DROPPED, with FIXED, with caches and fonts inside the clone, and with the
        libraries that set-up unpacked there (if it did) on LD_LIBRARY_PATH.
    """
    cache = cache_folder(Path(clone).resolve())
    environment = {name: value for name, value in base_env.items() if name not in DROPPED}
    environment |= FIXED
    environment |= {
        "NUMBA_CACHE_DIR": str(cache / "numba"),
        "MPLCONFIGDIR": str(cache / "matplotlib"),
        "XDG_CACHE_HOME": str(cache),
        "FONTCONFIG_FILE": str(cache / "fonts.conf"),
    }
    unpacked = [cache.parent / "system" / name / "x86_64-linux-gnu" for name in ("usr/lib", "lib")]
    searched = [folder for folder in environment.get("LD_LIBRARY_PATH", "").split(os.pathsep) if folder]
    added = [str(folder) for folder in unpacked if folder.is_dir() and str(folder) not in searched]
    if added:
        environment["LD_LIBRARY_PATH"] = os.pathsep.join(added + searched)
    return environment


def fonts_configuration(fonts: str | Path, cache: str | Path) -> str:
    """Return a fontconfig file that sees the fonts of one folder and no others, with a cache of its own."""
    return (
        '<?xml version="1.0"?>\n<!DOCTYPE fontconfig SYSTEM "fonts.dtd">\n<fontconfig>\n'
        f"  <dir>{escape(str(fonts))}</dir>\n  <cachedir>{escape(str(cache))}</cachedir>\n</fontconfig>\n"
    )


def prepare_caches(clone: str | Path) -> None:
    """Make the cache folders and the fontconfig file that `fixed_environment` points to."""
    cache = cache_folder(Path(clone).resolve())
    for name in ("numba", "matplotlib", "fontconfig"):
        (cache / name).mkdir(parents=True, exist_ok=True)
    # resolved, so that clones that share an environment by a link write the same file
    fonts = (Path(sysconfig.get_path("purelib")) / "font_source_sans_pro" / "files").resolve()
    content = fonts_configuration(fonts, (cache / "fontconfig").resolve())
    file = cache / "fonts.conf"
    if not file.is_file() or file.read_text(encoding="utf-8") != content:
        aside = file.with_name(f"fonts.conf.{os.getpid()}")
        aside.write_text(content, encoding="utf-8")
        aside.replace(file)


def shell_lines(clone: str | Path, base_env: Mapping[str, str]) -> str:
    """Return lines for a shell's `eval` that turn `base_env` into the fixed environment."""
    fixed = fixed_environment(clone, base_env)
    lines = [f"unset {name}" for name in DROPPED if name in base_env]
    lines += [f"export {k}={shlex.quote(v)}" for k, v in sorted(fixed.items()) if base_env.get(k) != v]
    return "\n".join(lines)


if __name__ == "__main__":
    prepare_caches(sys.argv[1])
    print(shell_lines(sys.argv[1], os.environ))
