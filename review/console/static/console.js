// What every page has. A page works without this file; with it, it works with fewer taps.
document.documentElement.classList.add("scripted");
