// What a careful reader would complain of, as functions that return lists of words. Loaded into a page by looking.py.
(() => {
  const words = element => (element.textContent || "").trim().replace(/\s+/g, " ").slice(0, 60);
  const visible = element => element.checkVisibility({ opacityProperty: true, visibilityProperty: true });
  const parsed = colour => {
    const parts = (colour.match(/[\d.]+/g) || []).map(Number);
    return parts.length < 3 ? [0, 0, 0, 0] : [parts[0], parts[1], parts[2], parts.length > 3 ? parts[3] : 1];
  };
  const over = (top, below) => {
    const alpha = top[3] + below[3] * (1 - top[3]);
    const mixed = [0, 1, 2].map(i => (top[i] * top[3] + below[i] * below[3] * (1 - top[3])) / (alpha || 1));
    return [...mixed, alpha];
  };
  // Relative luminance and contrast ratio as WCAG 2.2 defines them (its glossary; from memory).
  const luminance = colour => {
    const linear = colour.slice(0, 3).map(part => {
      const share = part / 255;
      return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  };
  const ratio = (one, other) => {
    const [light, dark] = [luminance(one), luminance(other)].sort((a, b) => b - a);
    return (light + 0.05) / (dark + 0.05);
  };
  const opacity = element => {
    let product = 1;
    for (let e = element; e; e = e.parentElement) product *= Number(getComputedStyle(e).opacity);
    return product;
  };
  const meet = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
  // What lies behind an element: the backgrounds of what it stands in, and in a drawing the areas painted before it.
  const behind = element => {
    const layers = [];
    const drawing = element.closest("svg");
    if (drawing && element.tagName === "text") {
      const box = element.getBoundingClientRect();
      for (const area of drawing.querySelectorAll("rect, path")) {
        const style = getComputedStyle(area);
        if (style.fill === "none" || !(area.compareDocumentPosition(element) & Node.DOCUMENT_POSITION_FOLLOWING)) continue;
        if (!meet(area.getBoundingClientRect(), box)) continue;
        const fill = parsed(style.fill);
        layers.unshift([...fill.slice(0, 3), fill[3] * Number(style.opacity) * Number(style.fillOpacity)]);
      }
    }
    for (let e = drawing || element; e; e = e.parentElement) layers.push(parsed(getComputedStyle(e).backgroundColor));
    const dark = matchMedia("(prefers-color-scheme: dark)").matches && !matchMedia("print").matches;
    layers.push(dark ? [18, 18, 18, 1] : [255, 255, 255, 1]);
    return layers.reverse().reduce((below, top) => over(top, below));
  };
  const texts = () => {
    const found = new Set();
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const element = walker.currentNode.parentElement;
      if (walker.currentNode.data.trim() && !element.closest("title, desc, style") && visible(element)) found.add(element);
    }
    return [...found];
  };

  window.looking = {
    contrast() {
      const problems = [];
      const look = (element, style, said) => {
        const ink = parsed(element.tagName === "text" ? style.fill : style.color);
        const paper = behind(element);
        const shown = over([...ink.slice(0, 3), ink[3] * opacity(element)], paper);
        const size = parseFloat(style.fontSize);
        // Large: 18 points, or 14 points bold (WCAG 2.2, 1.4.3; from memory).
        const least = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700) ? 3 : 4.5;
        const found = ratio(shown, paper);
        if (found < least) problems.push(`contrast ${found.toFixed(2)} < ${least}: ${said}`);
      };
      for (const element of texts()) look(element, getComputedStyle(element), words(element));
      for (const element of document.body.querySelectorAll("[data-is]")) {
        const style = getComputedStyle(element, "::before");
        if (style.content !== "none" && visible(element)) look(element, style, `::before ${style.content}`);
      }
      return problems;
    },
    headings() {
      const levels = [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")].map(e => [Number(e.tagName[1]), words(e)]);
      const problems = [];
      const firsts = levels.filter(([level]) => level === 1).length;
      if (firsts !== 1) problems.push(`${firsts} headings of the first level`);
      let before = 0;
      for (const [level, said] of levels) {
        if (level > before + 1) problems.push(`heading of level ${level} after one of level ${before}: ${said}`);
        before = level;
      }
      return problems;
    },
    overflow() {
      const root = document.documentElement;
      const wide = root.scrollWidth > root.clientWidth;
      return wide ? [`the page is ${root.scrollWidth} wide, the window ${root.clientWidth}`] : [];
    },
    clipped() {
      const problems = [];
      for (const element of texts()) {
        if (element.tagName === "text") {
          const box = element.getBoundingClientRect();
          const paper = element.closest("svg").getBoundingClientRect();
          const out = Math.max(paper.left - box.left, box.right - paper.right, paper.top - box.top, box.bottom - paper.bottom);
          if (out > 1) problems.push(`${out.toFixed(1)} px of a label are outside its drawing: ${words(element)}`);
          continue;
        }
        for (let e = element; e && e !== document.documentElement; e = e.parentElement) {
          const style = getComputedStyle(e);
          const hides = side => ["hidden", "clip"].includes(side);
          if (hides(style.overflowX) && e.scrollWidth > e.clientWidth + 1) problems.push(`cut off: ${words(element)}`);
          if (hides(style.overflowY) && e.scrollHeight > e.clientHeight + 1) problems.push(`cut off below: ${words(element)}`);
        }
      }
      return problems;
    },
    crowded() {
      const problems = [];
      for (const drawing of document.querySelectorAll("svg")) {
        const labels = [...drawing.querySelectorAll("text")].filter(visible).map(e => [e.getBoundingClientRect(), words(e)]);
        labels.forEach(([box, said], i) => labels.slice(i + 1).forEach(([other, beside]) => {
          if (meet(box, other)) problems.push(`labels on each other: ${said} and ${beside}`);
        }));
      }
      return problems;
    },
    small(least) {
      // Labels of drawings are scaled with them: their height on the screen counts.
      const problems = [];
      for (const element of texts()) {
        const scale = element.tagName === "text" ? element.getScreenCTM().a : 1;
        const size = parseFloat(getComputedStyle(element).fontSize) * scale;
        if (size < least) problems.push(`${size.toFixed(1)} px high: ${words(element)}`);
      }
      return problems;
    },
    anchors() {
      const ids = [...document.querySelectorAll("[id]")].map(e => e.id);
      const problems = ids.filter((id, place) => ids.indexOf(id) !== place).map(id => `twice: ${id}`);
      for (const link of document.querySelectorAll("a[href^='#']")) {
        const id = decodeURIComponent(link.getAttribute("href").slice(1));
        if (!document.getElementById(id)) problems.push(`leads nowhere: #${id}`);
      }
      return problems;
    },
    scripts() {
      const problems = [...document.scripts].map(e => `a script: ${e.src || words(e)}`);
      for (const element of document.querySelectorAll("*")) {
        for (const { name, value } of element.attributes) {
          if (name.startsWith("on") || value.trim().toLowerCase().startsWith("javascript:")) {
            problems.push(`a script in ${element.tagName} ${name}`);
          }
        }
      }
      return problems;
    },
    colourless() {
      // Verdicts in different colours must differ in what they say, and in the mark before it.
      const problems = [];
      const said = new Map();
      const marks = new Map();
      for (const element of document.querySelectorAll(".verdict")) {
        const text = words(element);
        const colour = getComputedStyle(element).color;
        if (!/[a-z]{3}/.test(text)) problems.push(`a verdict without words: ${text}`);
        for (const [known, key] of [[said, text], [marks, text.split(" ")[0]]]) {
          if (known.has(key) && known.get(key) !== colour) problems.push(`only colour tells apart: ${text}`);
          known.set(key, colour);
        }
      }
      return problems;
    },
  };
})();
