// The component that the page is made of: it gives the modules beside it a place to draw in.
export default {
  template: '<div class="hf"></div>',
  async mounted() {
    const { start } = await import("/workbench/app.js");
    this.stop = start(this.$el);
    // The page library's own link has done its work once the page stands. It would load the page anew whenever it is
    // lost, and what is under a maker's hands with it; the page has a link of its own, and words for its loss.
    const leave = () => (window.socket?.connected ? window.socket.disconnect() : setTimeout(leave, 200));
    leave();
  },
  unmounted() {
    this.stop?.();
  },
};
