"""Commands of the photos: `likewright photos check`, `likewright photos hand-out`."""

from pathlib import Path
from typing import Annotated

import typer

from app.shared.options import AsJson, Data, argument
from app.shared.places import DataFolder
from app.shared.settings import data_folder

photos = typer.Typer(no_args_is_help=True, help="Photos: check a set, or hand out its originals.")


@photos.command("check")
def photos_check(
    folder: Annotated[Path, argument("FOLDER", "A folder of photos.")],
    as_json: AsJson = False,
    data: Data = None,
) -> None:
    """Say whether a folder of photos is usable: exit 0 yes, 1 doubtful, 2 no, 3 nothing there.

    With --data it uses that workshop's own thresholds, otherwise the defaults.
    """
    from app.photos.check import command as check_command

    studio = None if data is None else DataFolder(data)
    raise typer.Exit(check_command.main(folder, as_json, studio=studio))


@photos.command("hand-out")
def photos_hand_out(
    code: Annotated[str, argument("CODE", "Order number and letter of the model, such as 1042-A.")],
    folder: Annotated[Path, argument("FOLDER", "The folder to write to. Nothing is overwritten.")],
    data: Data = None,
) -> None:
    """Write the original photos without the place they were taken. Exit 1 if any is left out."""
    from app.photos.hand_out import command as handing_out_command

    raise typer.Exit(handing_out_command.main(DataFolder(data_folder(data)), code, folder))
