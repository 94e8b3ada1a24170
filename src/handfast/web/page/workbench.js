// The component that the page is made of: it gives the modules beside it a place to draw in.
export default {
  template: '<div class="hf"></div>',
  async mounted() {
    const { start } = await import("/workbench/app.js");
    this.stop = start(this.$el);
  },
  unmounted() {
    this.stop?.();
  },
};
