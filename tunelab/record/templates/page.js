"use strict";
(async () => {
  // Draws the page's figures from its own data: nothing is fetched, every script is inside this file.
  const LIGHT = {ink: "#23262b", quiet: "#5d636c", line: "#d5d1c6", paper: "#fbfaf7"};
  const DARK = {ink: "#e4e2dc", quiet: "#a5abb3", line: "#3a3f46", paper: "#191c20"};
  const CELL_INK = "#1c1f24"; // text on coloured cells, and what these cells are in the dark
  const DARK_CELLS = {
    "#f1e7cf": "#2a2e33", "#dfdcc0": "#2c3a3f", "#c4d3bd": "#2d464e", "#a4c7bd": "#2e535e",
    "#83b8bd": "#2f616f", "#64a8bc": "#2f6f80", "#5f97c4": "#2f6fa3", "#93b8d4": "#2b567a",
    "#c6d6e0": "#28425a", "#ece8df": "#2c3036", "#e8cdb4": "#54402c", "#dcab83": "#774d29",
    "#cb8653": "#9f5f2a",
  };
  const LEAST_HEIGHT = 110; // of a panel [px]
  const LEAST_TYPE = 7; // of words within a panel [pt]
  const GAP = 9; // between words on cells side by side [px]
  const asDrawn = new Map();
  const edged = new Set(); // marks with the paper's colour round them
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const touch = matchMedia("(pointer: coarse)").matches;
  const views = [];
  const pen = document.createElement("canvas").getContext("2d");
  const asWritten = new Map(); // titles and labels of axes before they were broken into lines

  async function unpack(element) {
    const bytes = Uint8Array.from(atob(element.textContent.trim()), (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  }

  async function addScript(element) {
    const script = document.createElement("script");
    script.textContent = await unpack(element);
    document.head.append(script);
  }

  function shadeCells(model, isDark) {
    const name = "palette" in model ? "palette" : model.text_color?.value === CELL_INK || asDrawn.has(model) ? "text_color" : "";
    if (!name) return;
    if (!asDrawn.has(model)) asDrawn.set(model, model[name]);
    const first = asDrawn.get(model);
    model[name] = !isDark ? first : name === "palette" ? first.map((c) => DARK_CELLS[c] ?? c) : {value: "#ffffff"};
  }

  function dress(root, tone) {
    for (const model of root.references()) {
      shadeCells(model, tone === DARK);
      if (model.line_color?.value === "white") edged.add(model);
      if (edged.has(model)) model.line_color = {value: tone.paper};
      if ("axis_label_text_color" in model) {
        Object.assign(model, {
          axis_label_text_color: tone.ink, major_label_text_color: tone.quiet, axis_line_color: tone.quiet,
          major_tick_line_color: tone.quiet, minor_tick_line_color: tone.line, axis_label_text_font_style: "normal",
        });
      } else if ("grid_line_color" in model && "dimension" in model) {
        const grid = model.grid_line_color;
        if (grid !== null && grid?.value !== null) model.grid_line_color = tone.line; // a panel without a grid keeps none
      } else if ("background_fill_color" in model && "border_fill_color" in model && "outline_line_color" in model) {
        Object.assign(model, {
          background_fill_color: null, border_fill_color: null, outline_line_color: tone.line,
        });
      } else if ("label_text_color" in model && "glyph_width" in model) {
        Object.assign(model, {
          label_text_color: tone.ink, background_fill_color: tone.paper, background_fill_alpha: 0.85,
          border_line_color: tone.line,
        });
      } else if ("color_mapper" in model && "major_label_text_color" in model) {
        Object.assign(model, {
          major_label_text_color: tone.quiet, title_text_color: tone.ink, background_fill_color: null,
          bar_line_color: tone.quiet, major_tick_line_color: tone.quiet,
        });
      } else if ("text" in model && "text_color" in model && "vertical_align" in model) {
        model.text_color = tone.ink;
      }
      if (touch && "gestures" in model && model.gestures.pan) {
        model.gestures.pan.active = null; // a finger on a figure scrolls the page until a tool is chosen
      }
    }
  }

  function dressItem(doc) {
    // The same tones before anything is drawn: else a figure stands in black on white for a moment.
    const inks = {axis_label_text_color: "ink", major_label_text_color: "quiet", axis_line_color: "quiet",
      major_tick_line_color: "quiet", minor_tick_line_color: "line"};
    const look = (node) => {
      if (Array.isArray(node)) return node.forEach(look);
      if (!node || typeof node !== "object") return;
      if (node.type === "object" && node.attributes) {
        const own = node.attributes;
        if (/Axis$/.test(node.name)) for (const [name, tone] of Object.entries(inks)) own[name] = DARK[tone];
        if (node.name === "Grid" && own.grid_line_color !== null) own.grid_line_color = DARK.line;
        if (node.name === "Title") own.text_color = DARK.ink;
        if (/^(Figure|Plot)$/.test(node.name)) Object.assign(own, {outline_line_color: DARK.line, background_fill_color: null, border_fill_color: null});
      }
      Object.values(node).forEach(look);
    };
    look(doc);
  }

  function frames(count) {
    return new Promise((done) => {
      const next = (left) => (left ? requestAnimationFrame(() => next(left - 1)) : done());
      next(count);
    });
  }

  function within(node) {
    return [...(node.shadowRoot?.children ?? []), ...node.children].flatMap((e) => [e, ...within(e)]);
  }

  function toolsOf(target) {
    return within(target).filter((e) => e.matches(".bk-OnOffButton, .bk-ClickButton"));
  }

  function nameTools({target}) {
    // One stop of the keyboard for each row of tools, arrows within it; every tool says what it is.
    for (const e of within(target)) {
      if (e.matches(".bk-events")) e.tabIndex = -1;
      if (e.matches(".bk-tool-overflow")) e.style.display = "none";
      if (e.matches(".bk-divider")) e.style.backgroundColor = "var(--line)";
    }
    toolsOf(target).forEach((tool, place) => {
      tool.setAttribute("role", "button");
      tool.setAttribute("aria-label", tool.title || tool.getAttribute("aria-label") || "Tool of the figure");
      tool.tabIndex = place ? -1 : 0;
    });
  }

  function moveAmongTools(event) {
    const step = {ArrowRight: 1, ArrowLeft: -1}[event.key];
    const tools = step ? toolsOf(event.currentTarget) : [];
    const place = tools.indexOf(event.composedPath()[0]);
    if (place >= 0) tools[(place + step + tools.length) % tools.length].focus();
  }

  function fitFirstScreen(target, model) {
    // The figure that answers the page's question ends where the first screen ends, as far as it can be read then.
    const panels = model.children?.map(([child]) => child) ?? [model];
    const tall = panels.map((panel) => panel.height ?? 0);
    const tools = 42; // of the row above the panels
    const room = innerHeight - target.getBoundingClientRect().top - scrollY - tools - 12;
    const share = room / tall.reduce((sum, height) => sum + height, 0);
    if (share < 1) panels.forEach((panel, place) => { panel.height = Math.max(LEAST_HEIGHT, Math.floor(tall[place] * share)); });
  }

  function across(text, model, name) {
    // How wide a text is, in the type that a model gives it under this name.
    const own = (part) => model[`${name}_${part}`]?.value ?? model[`${name}_${part}`] ?? "";
    pen.font = `${own("font_style")} ${own("font_size")} ${own("font")}`;
    return pen.measureText(text).width;
  }

  function broken(text, room, model, name) {
    const lines = [];
    for (const word of text.split(/[ \n]+/)) {
      const longer = lines.length ? `${lines[lines.length - 1]} ${word}` : word;
      if (lines.length && across(longer, model, name) <= room) lines[lines.length - 1] = longer;
      else lines.push(word);
    }
    return lines;
  }

  function breakText(model, attribute, name, room) {
    // A canvas cuts what is longer than itself: a text gets as many lines as it needs. Returns the lines it gained.
    const now = model[attribute];
    if (typeof now !== "string" || !now || room < 60) return 0;
    if (!asWritten.has(model)) asWritten.set(model, now);
    const text = asWritten.get(model);
    const fits = text.split("\n").every((line) => across(line, model, name) <= room);
    const then = fits ? text : broken(text, room, model, name).join("\n");
    if (then !== now) model[attribute] = then;
    return then.split("\n").length - now.split("\n").length;
  }

  function places(values, range, scale, size) {
    const line = /Log/.test(scale.type) ? Math.log10 : (value) => value;
    const [from, to] = [line(range.start), line(range.end)];
    return Array.from(range.v_synthetic ? range.v_synthetic(values) : values, (v) => (line(v) - from) / (to - from) * size);
  }

  function runTogether(plot, {glyph, data_source}) {
    // Whether a text on a cell reaches into the next; those beyond the frame do not count.
    const column = (spec) => data_source.data[spec.field] ?? [];
    const x = places(column(glyph.x), plot.x_range, plot.x_scale, plot.inner_width);
    const y = places(column(glyph.y), plot.y_range, plot.y_scale, plot.inner_height);
    const boxes = Array.from(column(glyph.text), (text, k) => {
      const lines = String(text).split("\n");
      return {x: x[k], y: y[k], wide: Math.max(...lines.map((line) => across(line, glyph, "text"))), high: 10 * lines.length};
    }).filter((b) => b.wide && b.x > 0 && b.x < plot.inner_width && b.y > 0 && b.y < plot.inner_height);
    const apart = (a, b) => Math.abs(a.x - b.x) - (a.wide + b.wide) / 2 > GAP || Math.abs(a.y - b.y) > (a.high + b.high) / 2;
    return boxes.some((a, k) => boxes.slice(k + 1).some((b) => !apart(a, b)));
  }

  function shrinkToFrame(plot, {glyph, data_source}) {
    // Words that begin within a panel and run to the right: smaller where its edge would cut them.
    if (!asWritten.has(glyph)) asWritten.set(glyph, parseFloat(glyph.text_font_size.value));
    glyph.text_font_size = {value: `${asWritten.get(glyph)}pt`};
    const from = places(data_source.data[glyph.x.field] ?? [], plot.x_range, plot.x_scale, plot.inner_width);
    const shares = Array.from(data_source.data[glyph.text.field] ?? [], (text, k) =>
      Math.max(...String(text).split("\n").map((line) => across(line, glyph, "text"))) / (plot.inner_width - from[k] - 2));
    const most = Math.max(1, ...shares.filter((share) => share > 0));
    if (most > 1) glyph.text_font_size = {value: `${Math.max(LEAST_TYPE, asWritten.get(glyph) / most).toFixed(1)}pt`};
  }

  function fitWords(plot, words, sided) {
    if (!plot.inner_width) return;
    const gained = plot.title ? breakText(plot.title, "text", "text", plot.inner_width) : 0;
    for (const axis of [...plot.below, ...plot.above]) breakText(axis, "axis_label", "axis_label_text", plot.inner_width);
    for (const axis of [...plot.left, ...plot.right]) breakText(axis, "axis_label", "axis_label_text", plot.inner_height);
    if (gained) frames(2).then(() => { plot.height += 16 * gained; }); // later: a new size also wipes what was drawn in between
    for (const drawn of words) drawn.visible = !runTogether(plot, drawn);
    for (const drawn of sided) shrinkToFrame(plot, drawn);
  }

  function keepWordsFit(root, figure) {
    // Titles are broken to the width that there is; numbers on cells go where they would run together, and come
    // back when a map is drawn larger: its colours, the values under the pointer and the table beside it stay.
    const hidden = new Set();
    for (const plot of root.references()) {
      if (!("renderers" in plot && "inner_width" in plot)) continue;
      const texts = plot.renderers.filter(({glyph}) => glyph?.text?.field);
      const sided = texts.filter(({glyph}) => glyph.text_align?.value === "left");
      const words = texts.filter((drawn) => drawn.glyph.text_color?.value === CELL_INK && !sided.includes(drawn));
      const fit = () => {
        fitWords(plot, words, sided);
        words.forEach((drawn) => hidden[drawn.visible ? "delete" : "add"](drawn));
        figure.classList.toggle("wordless", hidden.size > 0);
      };
      fit();
      for (const name of ["inner_width", "inner_height"]) plot.properties[name].change.connect(fit);
      for (const range of [plot.x_range, plot.y_range]) range.change.connect(fit);
    }
  }

  async function draw(element) {
    const target = document.getElementById(element.dataset.figure);
    const item = JSON.parse(await unpack(element));
    if (dark.matches) dressItem(item.doc);
    const manager = await window.Bokeh.embed.embed_item(item, target.id);
    const view = manager.roots[0];
    if (target.closest(".answer")) fitFirstScreen(target, view.model);
    keepWordsFit(view.model, target.closest("figure"));
    target.setAttribute("role", "group"); // its tools are within it
    target.closest("figure").classList.add("live"); // its still picture is for paper from here on
    target.addEventListener("keydown", moveAmongTools);
    for (const kind of ["pointerup", "keyup"]) { // a tool that was chosen takes a stop of the keyboard for itself
      target.addEventListener(kind, () => setTimeout(() => nameTools({target}), 150), true);
    }
    views.push({view, target});
  }

  function dressAll() {
    for (const {view} of views) dress(view.model, dark.matches ? DARK : LIGHT);
  }

  try {
    for (const element of document.querySelectorAll("script[data-script]")) await addScript(element);
    for (const element of document.querySelectorAll("script[data-figure]")) await draw(element);
    dressAll();
    dark.addEventListener("change", dressAll);
    await frames(3);
    views.forEach(nameTools);
    document.documentElement.classList.add("ready");
  } catch (error) {
    for (const box of document.querySelectorAll(".drawing:empty")) {
      box.textContent = "This browser shows the figure as a still picture only (" + error.message + ").";
    }
    document.documentElement.classList.add("undrawn");
  }
})();
