"""What a page must stand besides its two looks: a wide screen, 200 % zoom, 200 % text, paper."""

ZOOMED, WIDE, DESK = 640, 1920, 1280
"""At 200 % a window of 1280 px has room for 640. [px]"""
CLIPPED = """() => {
  const cut = (one) => one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1;
  const shown = (one) => {
    const row = one.closest('.many tbody tr, .rows li');
    const way = row?.querySelector('a, button, input');
    way?.focus({preventScroll: true});
    const hides = ['hidden', 'clip'].includes(getComputedStyle(one).overflowX);
    way?.blur();
    return Boolean(way) && !hides;
  };
  return [...document.querySelectorAll('main *')].filter((one) => {
    const style = getComputedStyle(one);
    const hides = [style.overflowX, style.overflowY].some((way) => ['hidden', 'clip'].includes(way));
    if (!hides || one.closest('.unseen, svg, [hidden], table.stack > thead')) return false;
    if (!one.innerText?.trim() || !one.clientWidth) return false;
    return cut(one) && !shown(one);
  }).map((one) => one.outerHTML.slice(0, 120));
}"""
"""Text that is cut off with no way to it: neither scrolling nor the focus on its row shows it whole."""
TOO_WIDE = "document.documentElement.scrollWidth - window.innerWidth"
ON_PAPER = """() => {
  const seen = (one) => Boolean(one && one.getClientRects().length);
  const cut = [...document.querySelectorAll('main .table-frame, main .picture')]
    .filter((one) => seen(one) && getComputedStyle(one).overflowX !== 'visible').length;
  return {
    frame: ['.rail', '.foot', '.skip'].filter((name) => seen(document.querySelector(name))),
    heading: seen(document.querySelector('main h1')),
    pressed: [...document.querySelectorAll('main .actions, main .filters')].filter(seen).length,
    cut,
    dark: getComputedStyle(document.body).backgroundColor,
  };
}"""
LEAST_PDF_BYTES = 3000


def shape_faults(tab, name: str) -> list[str]:
    """Return what is wrong with the open page when it is wide, zoomed, of large text, or printed."""
    told = []
    for width, what in ((WIDE, "wide"), (ZOOMED, "at 200 % zoom")):
        tab.set_viewport_size({"width": width, "height": 900})
        told += _cut_off(tab, f"{name} {what}")
    tab.set_viewport_size({"width": DESK, "height": 900})
    tab.evaluate("document.documentElement.style.fontSize = '200%'")
    told += _cut_off(tab, f"{name} with 200 % text")
    tab.evaluate("document.documentElement.style.fontSize = ''")
    return told + paper_faults(tab, name)


def paper_faults(tab, name: str) -> list[str]:
    """Return what is wrong with the page on paper: a frame or buttons on it, no heading, a table cut off."""
    tab.emulate_media(media="print", color_scheme="dark")
    on_paper = tab.evaluate(ON_PAPER)
    pdf = tab.pdf()
    tab.emulate_media(media="screen", color_scheme="light")
    told = [f"{name} prints {what}" for what in on_paper["frame"]]
    if not on_paper["heading"]:
        told.append(f"{name} prints no heading")
    if on_paper["pressed"]:
        told.append(f"{name} prints {on_paper['pressed']} bars of buttons or filters")
    if on_paper["cut"]:
        told.append(f"{name} prints {on_paper['cut']} tables or charts cut off at the paper's edge")
    if on_paper["dark"] not in ("rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"):
        told.append(f"{name} prints on {on_paper['dark']}")
    if not pdf.startswith(b"%PDF") or len(pdf) < LEAST_PDF_BYTES:
        told.append(f"{name} makes a PDF of {len(pdf)} bytes")
    return told


def _cut_off(tab, what: str) -> list[str]:
    told = []
    if (too_wide := tab.evaluate(TOO_WIDE)) > 0:
        told.append(f"{what} is {too_wide} px too wide")
    return told + [f"{what} cuts off {one}" for one in tab.evaluate(CLIPPED)]
