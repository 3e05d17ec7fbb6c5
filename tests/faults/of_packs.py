"""Faults in packs and pictures: what leaves, whose is what, and what is believed of a file."""

from __future__ import annotations

from faults.planted import Fault

S = "analysis/sharing/"
PACK = ("tests/unit/analysis/cli/test_pack.py",)
HOSTILE = ("tests/unit/analysis/cli/test_hostile_packs.py",)
PHOTOS = ("tests/unit/analysis/sharing/test_pictures.py", "tests/unit/analysis/report/test_photos.py")

PACKS = (
    Fault("hidden positions go to others", S + "packing.py", "free[where.row[~where.hidden]] = True",
          "free[where.row] = True", PACK),
    Fault("heights go to others", S + "packing.py", '"alt_m", "geoid_m", "course_deg")', '"geoid_m", "course_deg")', PACK),
    Fault("ports go to others", S + "packing.py", 'if key not in ("port", "on_open")', 'if key not in ("on_open",)', PACK),
    Fault("a board's own receiver goes to others", S + "packing.py", "if privacy.tells_place(each)]", "if False]", PACK),
    Fault("pictures go to others as they came", S + "packing.py",
          'for_others(photo_bytes(drive, each), f"{drive.id}: {each.file}")', "photo_bytes(drive, each)", PACK),
    Fault("a friend's drives go among one's own", S + "unpacking.py",
          "    return taken.store\n\n\ndef _merged", "    return store\n\n\ndef _merged", PACK),
    Fault("one's own second car goes among the first", S + "unpacking.py", "== own.car else store", "!= '' else store", PACK),
    Fault("setups of one name stay so", S + "unpacking.py", "if renamed := _setup_apart(manifest, here):",
          'if renamed := "":', PACK),
    Fault("the same drive twice is two", S + "unpacking.py", "    if found := here.by_rows.get(manifest.digests[RAW_ROWS]):",
          "    if found := None:", PACK),
    Fault("a friend's car is the own one of that name", S + "unpacking.py",
          'while pack_id(folder) not in ("", index.owner):', "while False:", PACK),
    Fault("a friend's drive learns from the own car", "analysis/store.py",
          "return self.other_car(other[0]).drive(other[1])", "return self._once(open_drive(self.path, ref))", PACK),
    Fault("the friend's car keeps its parts", "analysis/changes/across_cars.py", 'parts: Parts = {"car": car}',
          'parts: Parts = of.parts or {"car": car}', PACK),
    Fault("a digest is not looked at", "logger/store/pack.py", "if digest.hexdigest() != entry.sha256:", "if False:", HOSTILE),
    Fault("any name is unpacked", "logger/store/pack.py", "if name != INDEX and not is_known(name):", "if False:", HOSTILE),
    Fault("tables may be compressed", "logger/store/pack.py", "compress_type != zipfile.ZIP_STORED and not text",
          "compress_type > 99", HOSTILE),
    Fault("files may lie over each other", "logger/store/pack.py", "if packed > size:", "if packed < 0:", HOSTILE),
    Fault("a newer form is read", "logger/store/pack.py", "if told.pack > VERSION:", "if told.pack > 99:", HOSTILE),
    Fault("any number of rows is read", S + "unpacking.py", "if file.metadata.num_rows > _MOST_ROWS or", "if", HOSTILE),
    Fault("a drive's name is a path", S + "unpacking.py", "if _PLAIN.fullmatch(manifest.id) and", "if", HOSTILE),
    Fault("columns of any kind are taken", S + "unpacking.py",
          "not manifest.cut or _kinds(table) == _kinds(expected[source.name])", "True", HOSTILE),
    Fault("others' files set the recorder up", "logger/store/pack.py",
          'if self.index.made_for == "oneself" or name in FOR_OTHERS', "if name", HOSTILE),
    Fault("a picture keeps what came with it", S + "pictures.py",
          'empty = Image.new("RGB", upright.size, "white")', 'empty = upright.convert("RGB")', PHOTOS),
    Fault("a picture is not turned", S + "pictures.py", "_in_srgb(ImageOps.exif_transpose(image))", "_in_srgb(image)", PHOTOS),
    Fault("colours are taken as they stand", S + "pictures.py", "if not profile or image.mode", "if profile or image.mode",
          PHOTOS),
    Fault("what was put away is shown", "analysis/report/photos_section.py", "if not each.away]", "]", PHOTOS),
    Fault("a picture is not kept as it came", "analysis/answers/photos.py", "files[name] = picture.data",
          "files[name] = picture.data[:-1]", PHOTOS),
)  # fmt: skip
