"""The decorators of the compiled code: leaves, and the few entry points that are called from Python.

Numba keeps a compiled entry point on disk and looks at the time stamp of that function's own file alone, so
an edit of a leaf in another file would go unnoticed. An index entry of that cache also carries a hash of the
contents of the function's closure; an entry point therefore holds a digest of every file of this package in
its closure, and any edit makes a new entry.

With ``NUMBA_DISABLE_JIT=1`` in the environment nothing is compiled and numba is not even imported: the same functions
run as plain Python, to the same bits, a thousand times slower. One actuation is done that way before a compiler would
have begun.
"""

from __future__ import annotations

import hashlib
import inspect
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

INTERPRETED = os.environ.get("NUMBA_DISABLE_JIT") == "1"
if not INTERPRETED:
    from llvmlite.ir import CallInstr
    from numba import njit, types
    from numba.extending import intrinsic

P = ParamSpec("P")
R = TypeVar("R")

# No fastmath: it reorders sums and assumes that NaN and inf do not occur. Numpy's error model gives inf and
# NaN where Python raises, which the caller turns into the outcome "not finished".
_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": False}
# Leaves make no arrays and count no references to those they are handed: the caller of the entry point holds every
# array for as long as it runs. A count is an atomic operation, on which two threads that share an array wait for each
# other, and a call, around which every number at hand is put away and fetched again; a fifth of the time went there.
_LEAF: dict[str, Any] = {"_nrt": False, "no_cfunc_wrapper": True}


@cache
def package_digest() -> int:
    """Return 63 bits of a digest of the names and bytes of every ``.py`` file of this package."""
    digest = hashlib.blake2b(digest_size=8)
    folder = Path(__file__).parent
    for path in sorted(folder.rglob("*.py")):
        content = path.read_bytes()
        digest.update(f"{path.relative_to(folder).as_posix()}\0{len(content)}\0".encode())
        digest.update(content)
    return int.from_bytes(digest.digest(), "big") >> 1


def _compile(function: Callable[P, R], **options: Any) -> Callable[P, R]:
    return function if INTERPRETED else cast("Callable[P, R]", cast("Any", njit)(**options, **_OPTIONS)(function))


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a leaf: a function called by other compiled code; it is stored as a part of the entry point using it.

    It can also be called from Python, and may neither make nor return an array.
    """
    return _compile(function, cache=False, **_LEAF)


def inlined(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a leaf that is written into its callers, and is called by compiled code alone."""
    return _compile(function, cache=False, forceinline=True, no_cpython_wrapper=True, **_LEAF)


def apart(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a leaf that stays a function of its own: it is never written into its callers.

    The optimiser copies a function into each of its callers as long as it finds it small, and each copy into theirs;
    of this package's chains of calls that makes megabytes. A call marked as not to be inlined ends the chain.
    """
    if INTERPRETED:
        return function
    leaf: Any = _compile(function, cache=False, no_cpython_wrapper=True, **_LEAF)

    def call(typingctx: Any, *arguments: Any) -> Any:
        kind = types.Dispatcher(leaf)
        signature = kind.get_call_type(typingctx, arguments, {})

        def codegen(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            before = {id(i) for block in builder.function.blocks for i in block.instructions}
            result = context.get_function(kind, signature)(builder, values)
            for block in builder.function.blocks:
                for instruction in block.instructions:
                    if isinstance(instruction, CallInstr) and id(instruction) not in before:
                        instruction.attributes.add("noinline")
            return result

        return signature, codegen

    parameters = inspect.signature(function).parameters.values()
    context = inspect.Parameter("typingctx", inspect.Parameter.POSITIONAL_OR_KEYWORD)
    call.__signature__ = inspect.Signature([context, *parameters])  # type: ignore[attr-defined]
    return cast("Callable[P, R]", intrinsic(call))


def entry_point(factory: Callable[[int], Callable[P, R]]) -> Callable[P, R]:
    """Compile a function that is called from Python and keep it on disk until a file of this package changes.

    Parameters
    ----------
    factory : callable
        Takes the digest and returns the function to compile, which must mention the digest so that it stands
        in its closure. The function must close over nothing else::

            @entry_point
            def total(digest: int) -> Callable[[FloatArray], float]:
                def total(x: FloatArray) -> float:
                    _ = digest
                    return leaf(x)

                return total

    Returns
    -------
    callable
        The compiled function, or the plain one where compilation is switched off (``NUMBA_DISABLE_JIT=1``).

    Raises
    ------
    TypeError
        If the function's closure is not exactly the digest.
    """
    digest = package_digest()
    function = factory(digest)
    cells = getattr(function, "__closure__", None) or ()
    if [cell.cell_contents for cell in cells] != [digest]:
        raise TypeError(f"entry point {function.__qualname__} must close over the digest and nothing else")
    return _compile(function, cache=True)
