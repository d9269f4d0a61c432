// Looks at a report in frames of several widths and writes what it finds into the page, as JSON.
const UNITS = /[0-9]\]?[\u00a0 ](?:[fpnµmkMG]?(?:V|Hz|A|Ω|Pa)(?:\/√Hz)?|dB|%|s)(?![A-Za-z0-9])/g;
const short = (node) => (node.textContent || "").trim().slice(0, 60);

// Elements of the page that reach beyond its right edge, the insides of pictures aside.
function overflowing(page, width) {
  const all = [...page.body.querySelectorAll("*")].filter((e) => !e.closest("svg") || e.tagName === "svg");
  const shown = all.filter((e) => e.getClientRects().length > 0 && getComputedStyle(e).clipPath === "none");
  return shown
    .filter((e) => e.getBoundingClientRect().right > width + 0.5 && !e.closest("thead"))
    .map((e) => `${e.tagName} ${short(e)}`);
}

// Numbers that stand on another line than their units.
function parted(page) {
  const found = [];
  const texts = page.createTreeWalker(page.body, NodeFilter.SHOW_TEXT);
  for (let text = texts.nextNode(); text; text = texts.nextNode()) {
    if (text.parentElement.closest("svg, style, code")) continue;
    for (const match of text.data.matchAll(UNITS)) {
      const range = page.createRange();
      range.setStart(text, match.index);
      range.setEnd(text, match.index + match[0].length);
      const tops = new Set([...range.getClientRects()].map((r) => Math.round(r.top)));
      if (tops.size > 1) found.push(match[0]);
    }
  }
  return found;
}

// One picture: where it lies, how small its letters are, which of them touch each other or leave it, what it is drawn with.
function picture(svg) {
  const box = svg.getBoundingClientRect();
  const scale = box.width / svg.viewBox.baseVal.width;
  const letters = [...svg.querySelectorAll("text")].filter((t) => short(t));
  const boxes = letters.map((t) => [t, t.getBoundingClientRect()]);
  const touching = [];
  boxes.forEach(([one, a], index) => {
    for (const [other, b] of boxes.slice(index + 1)) {
      const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (across > 1 && down > 0.4 * Math.min(a.height, b.height)) touching.push(`${short(one)} | ${short(other)}`);
    }
  });
  const outside = boxes.filter(([, b]) => b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 || b.bottom > box.bottom + 1);
  const all = (names, pick) => [...new Set([...svg.querySelectorAll(names)].map(pick))];
  return {
    name: svg.querySelector("title").id.replace(/-title$/, ""),
    left: box.left,
    right: box.right,
    smallest: Math.min(...letters.map((t) => scale * parseFloat(t.getAttribute("font-size")))),
    touching,
    outside: outside.map(([t]) => short(t)),
    fills: all("polygon", (p) => p.getAttribute("fill")).filter((f) => !/^#fff/i.test(f)),
    dashes: all("[stroke-dasharray]", (p) => `${p.getAttribute("stroke")} ${p.getAttribute("stroke-dasharray")}`),
  };
}

function look(frame) {
  const page = frame.contentDocument;
  const width = frame.contentWindow.innerWidth;
  return {
    width,
    scroll: page.documentElement.scrollWidth,
    overflowing: overflowing(page, width),
    parted: parted(page),
    pictures: [...page.querySelectorAll("svg")].filter((s) => s.querySelector("title")).map(picture),
  };
}

// The page as it is printed on A4 between its margins, which a browser shrinks as a whole where something is too wide.
const PRINT = Math.floor((182 / 25.4) * 96);
const SCREENS = [1280, 1030, 390];

function asPrinted(page) {
  for (const style of page.querySelectorAll("style")) {
    style.textContent = style.textContent.replaceAll("@media screen", "@media not all").replaceAll("@media print", "@media all");
  }
}

const found = [];
for (const width of [...SCREENS, PRINT]) {
  const frame = document.createElement("iframe");
  frame.style = `width:${width}px;height:1500px;border:0;display:block`;
  frame.onload = () => {
    if (width === PRINT) asPrinted(frame.contentDocument);
    found.push(look(frame));
    if (found.length > SCREENS.length) document.getElementById("found").textContent = JSON.stringify(found);
  };
  frame.src = "report.html";
  document.body.append(frame);
}
