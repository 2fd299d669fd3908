"""The one place that names numba.

Kernels are compiled with ``nogil`` and run under our own row blocks: two Python threads that both call
self-parallel kernels abort the process. No ``fastmath``: it removes tests for NaN. Division by zero gives what numpy
gives, and no wrapper for C is made: a quarter less to compile. A kernel is handed its buffers where it can be: each
kind of array that one makes takes 0.03 to 0.1 s to compile, a median inside 0.6 s.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from functools import cache, partial
from importlib import import_module
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from blend.base.arrays import refuse_foreign

OPTIONS = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

SPARED = {
    *("WithLifting", "InlineClosureLikes", "RewriteSemanticConstants", "DeadBranchPrune"),
    *("RewriteDynamicRaises", "MakeFunctionToJitFunction", "InlineInlinables", "FindLiterallyCalls"),
    *("LiteralUnroll", "LiteralPropagationSubPipelinePass", "InlineOverloads", "NopythonRewrites"),
    "AnnotateTypes",
}
"""Numba's passes for closures, branches on types and sums of whole arrays, which no kernel has, and for a listing that
nobody reads: 10 % of compiling."""

MAKERS = {"empty", "full", "zeros", "median", "sort"}
"""What makes arrays inside a kernel. One that makes none is compiled without counting who uses its arrays:
6 % less."""

Function = TypeVar("Function", bound=Callable[..., Any])


def cache_folder() -> Path:
    """Return the folder for compiled kernels: ``XDG_CACHE_HOME`` or ``~/.cache``, then ``blend/kernels``."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "blend" / "kernels"


def kernel(function: Function) -> Callable[..., Any]:
    """Compile a pure loop over arrays on its first call, cached on disk.

    Importing numba takes 0.3 s, so it waits until a kernel is called. A cache that cannot be written is done without.
    """
    compiled: list[Callable[..., Any]] = []
    lock = Lock()

    def call(*arguments: Any) -> Any:
        refuse_foreign(arguments, where=function.__name__)
        if not compiled:
            # The first call runs under the lock: two threads that compiled the same kernel would both take seconds.
            with lock:
                if not compiled:
                    chosen = _compile(function)
                    result = chosen(*arguments)
                    compiled.append(chosen)
                    return result
        return compiled[0](*arguments)

    call.__doc__ = function.__doc__
    call.__name__ = function.__name__
    call.python = function  # type: ignore[attr-defined]
    return call


def load_compiler() -> None:
    """Import numba and what compiled kernels stand on, without scipy's linear algebra: a third of its time.

    For a process of our own, one of whose threads calls it: no kernel uses that algebra, those of others may. Under
    numba's lock, since a kernel's first call imports the same; the compiler's tables are asked for before it: making
    them takes a lock of theirs first and numba's inside it, and two threads that took both in different order would
    wait for one another for ever.
    """
    core = _numba().core
    _ = core.registry.cpu_target.target_context
    with core.compiler_lock.global_compiler_lock:
        _load_arrays()
        _spare_repeats()


def _load_arrays() -> None:
    if "numba.np.arraymath" not in sys.modules:
        from numba.np import linalg

        # It asks once, when it is imported, whether linear algebra is there.
        plain, linalg.ensure_blas = linalg.ensure_blas, _no_blas
        try:
            from numba.np import arraymath  # noqa: F401
        finally:
            linalg.ensure_blas = plain


def _no_blas() -> None:
    raise ImportError("kernels use no linear algebra")


def _numba() -> Any:
    os.environ.setdefault("NUMBA_CACHE_DIR", str(cache_folder()))
    import numba

    return numba


def _compile(function: Callable[..., Any]) -> Callable[..., Any]:
    numba = _numba()
    options = {**OPTIONS, "_nrt": bool(MAKERS & {*function.__code__.co_names}), "pipeline_class": _pipeline()}
    compiled: Any
    try:
        compiled = numba.njit(cache=True, **options)(function)
        if hasattr(compiled._cache, "_load_overload"):
            compiled._cache.load_overload = partial(_from_disk, compiled._cache)
    except RuntimeError:
        compiled = numba.njit(**options)(function)
    return compiled  # type: ignore[no-any-return]


@cache
def _pipeline() -> Any:
    compiler: Any = import_module("numba.core.compiler")

    class Pipeline(compiler.CompilerBase):  # type: ignore[misc]
        def define_pipelines(self) -> list[Any]:
            state = self.state
            library = state.library = state.targetctx.codegen().create_library(state.func_id.func_qualname)
            library.enable_object_caching()
            # One run of LLVM's passes over the whole: numba's two before it made no loop faster and took a seventh.
            passes = getattr(library._codegen, "_module_pass_manager", lambda: None)()
            if isinstance(passes, tuple):  # other versions of numba keep their own way
                library._optimize_functions = lambda module: None
                library._optimize_final_module = lambda: passes[0].run(library._final_module, passes[1])
            whole = compiler.DefaultPassBuilder.define_nopython_pipeline(state)
            whole.passes = [step for step in whole.passes if step[0].__name__ not in SPARED]
            whole.finalize()
            return [whole]

    return Pipeline


@cache
def _spare_repeats() -> None:
    """Let numba ask its rules for an operation's type, and what an array is, once and not at each place: a fifth.

    And let it find which variables are alive before it writes code alone, not after each of its passes: a twelfth. Of
    numba's own and for the whole process, hence not where other code may compile; where names have changed, nothing.
    """
    names = ("core.postproc", "core.types.functions", "core.typing.context", "core.types", "np.arrayobj")
    modules: Any = [import_module(f"numba.{name}") for name in names]
    lives, functions, typing, types, arrays = modules
    context = typing.BaseContext
    try:
        find, whole, made = functions.BaseFunction.get_call_type, lives.PostProcessor.run, arrays.make_array
        graph, lifetimes = lives.transforms.canonicalize_cfg, lives.VariableLifetime
        attribute = cache(context.find_matching_getattr_template)
    except AttributeError:
        return
    once = cache(lambda *asked: find(*asked, {}))

    def get_call_type(self: Any, context: Any, args: Any, kws: Any) -> Any:
        plain = not kws and all(isinstance(each, types.Number | types.Boolean | types.Array) for each in args)
        return once(self, context, args) if plain else find(self, context, args, kws)

    def run(self: Any, emit_dels: bool = False, extend_lifetimes: bool = False) -> None:
        if emit_dels or self.func_ir.is_generator:
            whole(self, emit_dels, extend_lifetimes)
        else:
            self.func_ir.blocks = graph(self.func_ir.blocks)
            self.func_ir.variable_lifetime = lifetimes(self.func_ir.blocks)

    @cache
    def make_array(kind: Any) -> Any:
        access = made(kind)
        if type(kind) is types.Array:
            # A plain array is none of those that another library wraps, which is asked for at each access otherwise.
            access._make_refs = access.__base__._make_refs
        return access

    context.find_matching_getattr_template = attribute
    functions.BaseFunction.get_call_type, lives.PostProcessor.run = get_call_type, run
    arrays.make_array = make_array


def _from_disk(stored: Any, signature: Any, context: Any) -> Any:
    """Return what the cache holds, or None, without the tables that only compiling needs: they take longer than it."""
    from numba.core.runtime.nrt import rtsys

    rtsys.initialize(context)
    with stored._guard_against_spurious_io_errors():
        return stored._load_overload(signature, context)
