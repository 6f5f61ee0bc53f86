/* Where a JPEG says it was taken. Read only where the company keeps places; the picture itself never carries it.
   After CIPA DC-008 (Exif): an APP1 segment holds a TIFF whose GPS folder (tag 0x8825) has the four tags 1 to 4. */
const LOOKED_AT = 256 * 1024;
const GPS_FOLDER = 0x8825;

/* Returns {latitude, longitude} in degrees, or null. */
export async function placeOf(file) {
  const view = new DataView(await file.slice(0, LOOKED_AT).arrayBuffer());
  const start = tiffStart(view);
  if (!start) return null;
  const isLittle = view.getUint16(start) === 0x4949;
  const short = (at) => view.getUint16(start + at, isLittle);
  const long = (at) => view.getUint32(start + at, isLittle);
  const entry = (folder, tag) => {
    for (let number = 0; number < short(folder); number += 1) if (short(folder + 2 + number * 12) === tag) return folder + 2 + number * 12;
    return 0;
  };
  const toFolder = entry(long(4), GPS_FOLDER);
  const folder = toFolder && long(toFolder + 8);
  if (!folder) return null;
  const side = (tag) => entry(folder, tag) && String.fromCharCode(view.getUint8(start + entry(folder, tag) + 8));
  const degrees = (tag) => {
    const at = entry(folder, tag) && long(entry(folder, tag) + 8);
    return at ? [0, 1, 2].reduce((sum, n) => sum + long(at + n * 8) / long(at + n * 8 + 4) / 60 ** n, 0) : NaN;
  };
  const latitude = degrees(2) * (side(1) === "S" ? -1 : 1);
  const longitude = degrees(4) * (side(3) === "W" ? -1 : 1);
  return Math.abs(latitude) <= 90 && Math.abs(longitude) <= 180 ? { latitude, longitude } : null;
}

function tiffStart(view) {
  if (view.byteLength < 4 || view.getUint16(0) !== 0xffd8) return 0;
  for (let at = 2; at + 10 < view.byteLength && view.getUint8(at) === 0xff; at += 2 + view.getUint16(at + 2))
    if (view.getUint16(at) === 0xffe1 && view.getUint32(at + 4) === 0x45786966) return at + 10;
  return 0;
}
