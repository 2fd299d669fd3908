"""What a script calls beside the steps: pictures read and written, formulas by name, runs, trials and batches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.base.errors import RecipeError, StepError
from blend.base.master import Master
from blend.base.rowblocks import limit_threads
from blend.recipe.state import Listener, Work
from blend.recipe.tables import Recipe
from blend.recipe.target import Target

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blend.app.batch import BatchOptions, Verdict, Watcher
    from blend.app.run import Outcome
    from blend.science.picture import Formula

FORMS = {
    **dict.fromkeys((".fits", ".fit", ".fts"), "fits"),
    **dict.fromkeys((".tif", ".tiff"), "tiff"),
    **dict.fromkeys((".jpg", ".jpeg"), "jpeg"),
    ".png": "png",
}
"""The format that a name's ending asks for."""


def read(path: str | Path) -> Master:
    """Return the master of a FITS or TIFF file, (planes, rows, columns), in the file's own unit, as its facts say.

    Raises
    ------
    InputError
        The file is missing, unreadable, or no picture of one or three planes.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "ha.fits"
    >>> write(place, Master.from_array([[1, 2], [3, 4]], planes=("ha",)))
    >>> read(place).pixels[0]
    array([[1., 2.],
           [3., 4.]], dtype=float32)
    """
    from blend.files.reader import read_picture

    return read_picture(Path(path))


def write(path: str | Path, picture: Master | Work, *, overwrite: bool = False) -> None:
    """Write a master, or the finished picture of a state just as a run does, whole or not at all.

    Parameters
    ----------
    path : str or Path
        Its ending is the format: ``.fits`` (float32); of display values also ``.tif`` (16 bits), ``.png`` and ``.jpg``
        (8 bits, long edge at most 2048 pixels), sRGB, upright.
    picture : Master or Work
        Of a state ``display``, cropped and turned as its recipe's table ``[output]`` says.
    overwrite : bool
        Replace what is there.

    Raises
    ------
    RecipeError
        Another ending, or something is there.
    StepError
        Linear light, for a picture.
    OutputError
        It could not be written.

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "grey.png"
    >>> write(place, Master.from_array([[[0.2, 0.5]]] * 3, domain="display"))
    >>> place.read_bytes()[1:4]
    b'PNG'
    """
    from blend.files.claim import refuse_paths
    from blend.files.whole import whole_file

    path = Path(path)
    form = FORMS.get(path.suffix.lower())
    if form is None:
        raise RecipeError(
            str(path), found=f"the ending {path.suffix!r}", expected=f"one of: {', '.join(FORMS)}"
        )
    shown = picture.display is not None if isinstance(picture, Work) else picture.domain == "display"
    if not shown and (isinstance(picture, Work) or form != "fits"):
        raise StepError(
            str(path), found="linear light", expected="display values", advice="call blend.stretch before"
        )
    refuse_paths([(path, lambda _: False)], overwrite=overwrite or None)
    with whole_file(path) as part:
        _write(part, picture, form)


def _write(path: Path, picture: Master | Work, form: str) -> None:
    from blend.app.run import WRITERS, crop_box, picture_writer
    from blend.files.cards import cards_of_facts
    from blend.files.fits import write_fits
    from blend.files.reader import upright

    if isinstance(picture, Work):
        picture_writer(picture, crop_box(picture), form)(path)
    elif form == "fits":
        facts = picture.facts
        cards = {"DOMAIN": picture.domain, **cards_of_facts(facts)}
        write_fits(path, picture.pixels, planes=picture.planes, cards=cards, wcs=facts.wcs, rows=facts.rows)
    else:
        WRITERS[form](path, display=upright(picture.pixels, picture.facts.rows))


def apply_formula(
    formula: str | Formula,
    base: Any,
    line: Any,
    *,
    amount: Any,
    sky: float = 0.0,
    base_sigma: Any = 0.0,
    line_sigma: Any = 0.0,
    params: Mapping[str, float] | None = None,
) -> NDArray[Any]:
    """Blend one plane into another by a formula: out = base + amount * (F - base).

    Parameters
    ----------
    formula : str or Formula
        A name of `FORMULAS`, or what `define_formula` returned.
    base, line : (rows, columns)
        Any array that `blend.base.arrays.plain_array` takes, in the formula's domain. Missing in either: missing in
        the result.
    amount : float or (rows, columns)
        Opacity, 0 to 1; a formula whose equation names it says what it means.
    sky : float
        Level of the sky in ``base``: 0 in linear light.
    base_sigma, line_sigma : float or (rows, columns)
        Noise of one pixel, for formulas that ask for it.
    params : mapping of str to float, optional
        Instead of the defaults of the formula's own parameters.

    Returns
    -------
    (rows, columns) float32
        The caller's own, not clipped; with amount 0 a copy of ``base``.

    Raises
    ------
    ArrayError
        An array is refused.
    RecipeError
        There is no such formula, or no such parameter of it.

    Examples
    --------
    >>> apply_formula("screen", [[0.5]], [[0.4]], amount=1.0)
    array([[0.7]], dtype=float32)
    """
    from blend.science.picture import FORMULAS
    from blend.science.picture import apply_formula as apply

    found = FORMULAS.find(formula, where="formula") if isinstance(formula, str) else formula
    return apply(
        found,
        base,
        line,
        amount=amount,
        sky=sky,
        base_sigma=base_sigma,
        line_sigma=line_sigma,
        params=params,
    )


def load_recipe(
    recipe: str | Path, *, settings: Mapping[str, Any] | Sequence[str] = (), target: Target | None = None
) -> Recipe:
    """Return a shipped recipe by its name, or that of a file, every fault of it at once.

    Parameters
    ----------
    recipe : str or Path
    settings : mapping of str to value, or sequence of str
        ``{"blend.red.amount": 0.8}``, or as after ``--set``.
    target : Target, optional
        Whose own settings come first.

    Raises
    ------
    RecipeError
        No such recipe, or faults of it.

    Examples
    --------
    >>> load_recipe("galaxy-moonlit", settings={"stretch.sky_level": 0.2}).stretch.sky_level
    0.2
    """
    from blend.app.run import open_recipe

    return open_recipe(str(recipe), settings=settings, target=target)


def load_target(path: str | Path, *, root: str | Path | None = None) -> Target:
    """Return the target of a file: which masters there are, and what is known of their filters.

    Parameters
    ----------
    path : str or Path
    root : str or Path, optional
        A folder that it may read in beside its own.

    Raises
    ------
    RecipeError
        Faults of the file.
    InputError
        Files it names are missing.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> write(folder / "rgb.fits", Master.from_array([[[0, 1]]] * 3))
    >>> _ = (folder / "t.toml").write_text('name = "spiral"\\n[masters.rgb]\\nlight = "rgb.fits"')
    >>> load_target(folder / "t.toml").masters["rgb"].light.name
    'rgb.fits'
    """
    from blend.app.run import open_target

    return open_target(Path(path), root=None if root is None else Path(root))


def run(
    recipe: str | Path | Recipe,
    target: str | Path | Target,
    *,
    out: str | Path | None = None,
    settings: Mapping[str, Any] | Sequence[str] = (),
    stages: bool = False,
    overwrite: bool = False,
    threads: int = 0,
    listener: Listener | None = None,
) -> Outcome:
    """Do what ``blend run`` does: a recipe on a target, all results into a folder or none.

    Parameters
    ----------
    recipe, target
        As of `load_recipe` and `load_target`, or for them.
    out : str or Path, optional
        The folder; else one called after the target.
    settings
        As for `load_recipe`; not beside a recipe that is loaded already.
    stages : bool
        Keep the masters between the steps too.
    overwrite : bool
        Files in the way may be lost that no run has left.
    threads : int
        0: one a core.
    listener : callable, optional
        Called with an `Event` before each step.

    Returns
    -------
    Outcome
        Its ``record``, as in record.json, and ``warnings``.

    Raises
    ------
    BlendError
        With the exit code of what went wrong; the folder is as it was.

    Examples
    --------
    >>> import tempfile
    >>> from blend.app.demo.demo import write_night
    >>> from blend.science.simulated import SceneOptions, simulate_night
    >>> folder = Path(tempfile.mkdtemp())
    >>> night = write_night(simulate_night(SceneOptions(rows=200, columns=300, seed=2)), folder)
    >>> outcome = run("galaxy-moonlit", night, out=folder / "out", settings={"output.formats": ["png"]})
    >>> outcome.record["blend"]["red"]["amount"], (folder / "out" / "preview.png").is_file()
    (1.0, True)
    """
    from blend.app.run import claim_results, run_target

    chosen = target if isinstance(target, Target) else load_target(target)
    opened = recipe if isinstance(recipe, Recipe) else load_recipe(recipe, settings=settings, target=chosen)
    place = Path(chosen.folder if out is None else out)
    reads = [
        Path(given) for given in (recipe, target) if isinstance(given, str | Path) and Path(given).is_file()
    ]
    claim = claim_results(opened, chosen, out=place, stages=stages, reads=reads, overwrite=overwrite)
    with limit_threads(threads):
        return run_target(opened, chosen, out=place, stages=stages, listener=listener, claim=claim)


def try_variants(
    recipe: str | Path,
    target: str | Path,
    *,
    vary: Mapping[str, Sequence[Any]],
    out: str | Path | None = None,
    scale: str | int = "preview",
    crop: str = "",
    settings: Mapping[str, Any] | None = None,
    overwrite: bool = False,
    threads: int = 0,
    listener: Listener | None = None,
) -> dict[str, Any]:
    """Do what ``blend try`` does: a tile of every variant of a recipe, a contact sheet and a page to try weights on.

    Parameters
    ----------
    recipe, target : str or Path
        A shipped name or a file; a target file.
    vary : mapping of str to sequence
        ``{"blend.red.amount": [0, 0.5, 1]}``.
    out : str or Path, optional
        The folder; else one called after the target.
    scale, crop
        As ``--scale`` and ``--crop``.
    settings : mapping of str to value, optional
        For all tiles.
    overwrite, threads, listener
        As for `run`.

    Returns
    -------
    dict
        The contents of trial.json: numbers of every tile, among others.

    Raises
    ------
    BlendError
        As `run`.

    Examples
    --------
    >>> import tempfile
    >>> from blend.app.demo.demo import write_night
    >>> from blend.science.simulated import SceneOptions, simulate_night
    >>> folder = Path(tempfile.mkdtemp())
    >>> night = write_night(simulate_night(SceneOptions(rows=200, columns=300, seed=2)), folder)
    >>> trial = try_variants("galaxy-moonlit", night, vary={"blend.red.amount": [0, 1]}, out=folder / "try", scale=2)
    >>> [tile["values"]["blend.red.amount"] for tile in trial["tiles"]]
    [0, 1]
    """
    from blend.app.run import recipe_text
    from blend.app.trial import Question, Variation, parse_view
    from blend.app.trial import try_variants as answer

    text, where = recipe_text(str(recipe))
    chosen = load_target(target)
    question = Question(
        recipe_text=text,
        recipe_name=where,
        recipe_word=str(recipe),
        variations=[Variation(key, tuple(values)) for key, values in vary.items()],
        target=chosen,
        target_path=str(target),
        view=parse_view(str(scale), crop),
        settings=settings or {},
    )
    place = Path(f"{chosen.folder}-trial" if out is None else out)
    with limit_threads(threads):
        return answer(question, out=place, store=None, listener=listener, overwrite=overwrite)


def run_batch(
    recipe: str | Path,
    targets: Sequence[str | Path],
    *,
    out: str | Path = "batch",
    options: BatchOptions | None = None,
    watcher: Watcher | None = None,
) -> list[Verdict]:
    """Do what ``blend batch`` does: a recipe on many targets, a folder each; one that fails stops no other.

    Parameters
    ----------
    recipe : str or Path
    targets : sequence of str or Path
        Target files, or folders that hold some.
    out : str or Path
    options : BatchOptions, optional
        Workers, threads, memory; without, one worker. Workers are processes of their own, which do not import the
        script.
    watcher : Watcher, optional
        Who looks on.

    Returns
    -------
    list of Verdict
        In the order of the plan: ``name``, ``state`` ("done", "skipped" or "failed") and the reason.

    Raises
    ------
    BlendError
        The recipe is at fault, no target is found, or the summary cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from blend.app.demo.demo import write_night
    >>> from blend.science.simulated import SceneOptions, simulate_night
    >>> folder = Path(tempfile.mkdtemp())
    >>> night = write_night(simulate_night(SceneOptions(rows=200, columns=300, seed=2)), folder)
    >>> [(verdict.name, verdict.state) for verdict in run_batch("galaxy-moonlit", [night], out=folder / "batch")]
    [('lantern-spiral', 'done')]
    """
    from blend.app.batch import BatchOptions, BatchView
    from blend.app.batch import run_batch as work

    return work(
        str(recipe),
        [Path(target) for target in targets],
        out=Path(out),
        options=options or BatchOptions(),
        watcher=watcher or BatchView(quiet=True),
    )
