"""Arrays on disk, made in one way for all stores: zarr, one compressor, chunks of fixed size."""

from __future__ import annotations

from typing import Any

import numcodecs.blosc
import numpy as np
import zarr
from zarr.codecs import BloscCodec

CHUNK = 4096  # markers a chunk of genotypes
LONG_CHUNK = 65536  # entries a chunk of the per-marker columns
# With threads blosc joins its blocks in the order in which they finish: other bytes each time.
numcodecs.blosc.use_threads = False


def new_array(
    group: zarr.Group,
    name: str,
    shape: tuple,
    chunks: tuple,
    dtype: Any,
    names: tuple,
    shuffle: str = "shuffle",
    **more,
):
    """Return a new array, its chunks compressed the same way everywhere; its parameters are an array's properties."""
    size = 1 if dtype is str else np.dtype(dtype).itemsize
    codec = BloscCodec(typesize=size, cname="lz4", clevel=5, shuffle="noshuffle" if dtype is str else shuffle)
    return group.create_array(
        name,
        shape=shape,
        chunks=tuple(max(1, c) for c in chunks),
        dtype=dtype,
        compressors=codec,
        dimension_names=names,
        **more,
    )


def write_column(group: zarr.Group, name: str, values: np.ndarray, dtype: Any, names: tuple) -> None:
    """Write the whole of an array whose first axis is long: a column a marker, an animal, a contig or a site."""
    values = np.asarray(values, dtype=object) if dtype is str else np.asarray(values, dtype=dtype)
    array = new_array(group, name, values.shape, (LONG_CHUNK, *values.shape[1:]), dtype, names)
    if values.size:
        array[...] = values


def texts(array: zarr.Array) -> np.ndarray:
    """Return an array of text as str, of the array's shape."""
    return np.array(array[...].ravel().tolist(), dtype=str).reshape(array.shape)
