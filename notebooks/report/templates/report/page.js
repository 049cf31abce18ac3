(function () {
  "use strict";
  // The library that draws lies in the page compressed: as text it would be most of the page.
  function unpacked() {
    var packed = atob(document.getElementById("plotly").textContent);
    var bytes = Uint8Array.from(packed, function (letter) { return letter.charCodeAt(0); });
    var stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text().then(function (source) {
      var script = document.createElement("script");
      script.textContent = source;
      document.head.appendChild(script);
    });
  }
  function read(id) { return JSON.parse(document.getElementById(id + "-data").textContent); }
  function narrow(plot) { return plot.clientWidth > 0 && plot.clientWidth < 600; }
  function draw(plot) {
    var shape = narrow(plot) ? "narrow" : "layout";
    if (plot.dataset.drawn === shape) { return Promise.resolve(); }
    plot.dataset.drawn = shape;
    var spec = read(plot.id);
    plot.style.height = spec[shape].height + "px";
    return drawer.then(function () {
      var look = { responsive: true, displayModeBar: false, displaylogo: false };
      return Plotly.react(plot, spec.data, spec[shape], look);
    });
  }
  var plots = Array.prototype.slice.call(document.querySelectorAll(".plot"));
  var drawer = new Promise(function (resolve) { resolve(unpacked()); });
  drawer.catch(function () {
    plots.forEach(function (plot) {
      plot.style.height = "auto";
      plot.textContent = "This browser, older than 2023, cannot draw the figure. Its numbers are below; " +
        "pictures are in the folder figures.";
    });
  });
  var idle = window.requestIdleCallback || function (work) { return setTimeout(work, 1); };
  var waiting = plots.slice();
  function next() {
    var plot = waiting.shift();
    if (plot) { draw(plot).catch(function () {}).then(function () { idle(next); }); } else { document.body.dataset.drawn = "yes"; }
  }
  if ("IntersectionObserver" in window) {
    var seen = new IntersectionObserver(function (entries) {
      entries.forEach(function (entry) { if (entry.isIntersecting) { seen.unobserve(entry.target); draw(entry.target); } });
    }, { rootMargin: "300px" });
    plots.forEach(function (plot) { seen.observe(plot); });
  }
  window.addEventListener("load", function () { idle(next); });
  window.addEventListener("beforeprint", function () {
    if (!window.Plotly) { return; }
    plots.forEach(function (plot) {  // the width of a printed page, whatever that of the window
      var spec = read(plot.id);
      plot.dataset.drawn = "print";
      plot.style.height = spec.layout.height + "px";
      plot.style.zoom = Math.min(0.8, 620 / spec.layout.height);
      Plotly.react(plot, spec.data, Object.assign({}, spec.layout, { autosize: false, width: 672 }), { staticPlot: true });
    });
  });
  window.addEventListener("afterprint", function () {
    plots.forEach(function (plot) { plot.style.zoom = ""; draw(plot); });
  });
  var later;
  window.addEventListener("resize", function () {
    clearTimeout(later);
    later = setTimeout(function () { plots.forEach(function (plot) { if (plot.dataset.drawn) { draw(plot); } }); }, 150);
  });
  document.addEventListener("click", function (event) {
    var kind = event.target.dataset && event.target.dataset.save;
    if (!kind || !window.Plotly) { return; }
    var spec = read(event.target.dataset.plot);
    var layout = Object.assign({}, spec.layout, spec.saved);
    Plotly.downloadImage({ data: spec.data, layout: layout }, { format: kind, filename: event.target.dataset.name,
      width: layout.width || 692, height: layout.height, scale: kind === "png" ? 3.125 : 1 });
  });
  document.querySelectorAll("details.fold").forEach(function (fold) {  // a figure is drawn for the width it opens to
    fold.addEventListener("toggle", function () {
      if (!fold.open) { return; }
      fold.querySelectorAll(".plot").forEach(function (plot) { delete plot.dataset.drawn; draw(plot); });
    });
  });
  document.addEventListener("click", function (event) {
    if (!event.target.matches || !event.target.matches("[data-copy]")) { return; }
    var texts = Array.prototype.map.call(event.target.parentNode.querySelectorAll("p"), function (p) { return p.textContent; });
    var box = document.createElement("textarea");
    box.value = texts.join("\n\n");
    document.body.appendChild(box);
    box.select();
    document.execCommand("copy");
    box.remove();
    event.target.firstChild.textContent = "Copied";
  });
  var links = Array.prototype.slice.call(document.querySelectorAll(".contents a[href^='#']"));
  function follow() {
    var current = links[0];
    links.forEach(function (link) {
      var target = document.getElementById(link.getAttribute("href").slice(1));
      if (target && target.getBoundingClientRect().top < 160) { current = link; }
    });
    links.forEach(function (link) {
      if (link === current) { link.setAttribute("aria-current", "true"); } else { link.removeAttribute("aria-current"); }
    });
  }
  if (links.length) { window.addEventListener("scroll", follow, { passive: true }); follow(); }
  var all = document.getElementById("all-code");
  if (all) { all.addEventListener("click", function () {
    var show = all.getAttribute("aria-pressed") !== "true";
    all.setAttribute("aria-pressed", String(show));
    all.textContent = show ? "Hide the code of every step" : "Show the code of every step";
    document.body.classList.toggle("with-code", show);
    document.querySelectorAll("details.code").forEach(function (code) { code.open = show; });
  }); }
})();
