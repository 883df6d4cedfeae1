// The address goes along with what the chart shows: a reload, a bookmark or a link sent on shows the same.
document.addEventListener("chart:span", (event) => {
  const { first, last } = event.detail;
  const address = new URL(location.href);
  for (const name of ["span", "from", "to"]) address.searchParams.delete(name);
  address.searchParams.set("first", first);
  address.searchParams.set("last", last);
  history.replaceState(history.state, "", address);
});
